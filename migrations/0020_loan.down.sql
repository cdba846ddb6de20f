DROP TABLE loan, counter_act;
DROP INDEX booking_undecided;
ALTER TABLE booking DROP COLUMN garage_id, DROP COLUMN asked_model_id, DROP COLUMN exactly, DROP COLUMN kit_id, DROP COLUMN choice,
  DROP COLUMN decide_by, DROP COLUMN endangered, DROP COLUMN endangered_at;
DROP INDEX reservation_offered, reservation_awaiting;
ALTER TABLE reservation DROP COLUMN approval, DROP COLUMN approval_by, DROP COLUMN approval_at, DROP COLUMN offer_until, DROP COLUMN walk_in, DROP COLUMN changed_at;
REVOKE UPDATE (purpose) ON reservation FROM pinwright_app;
REVOKE UPDATE (tool_id, period, held) ON booking FROM pinwright_app;
ALTER TABLE tool DROP COLUMN place_garage_id, DROP COLUMN condition, DROP COLUMN value_minor, DROP COLUMN deposit_minor, DROP COLUMN inspection_due_on;
