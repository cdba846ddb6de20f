SET lock_timeout = '1s';
DROP TRIGGER note_tool_change ON tool;
DROP FUNCTION note_tool_change();
DROP TABLE tool_change;
DROP FUNCTION day_begins(text, date);
DROP INDEX tool_at_place, booking_next, booking_ends, booking_begins;
ALTER TABLE booking DROP COLUMN begins_at, DROP COLUMN ends_at;
DROP TRIGGER guest_stays_as_long ON loan;
DROP FUNCTION hold_loan_to_stay();
DROP TRIGGER guest_stays_as_long ON booking;
DROP FUNCTION hold_booking_to_stay();
DROP INDEX member_of_host;
ALTER TABLE member DROP CONSTRAINT member_guest_of_another, DROP CONSTRAINT member_guest_has_no_office, DROP CONSTRAINT member_guest_is_whole,
  DROP COLUMN guest_until, DROP COLUMN guest_last_day, DROP COLUMN host_id;
