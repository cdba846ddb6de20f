DROP INDEX booking_in_danger, loan_out;
ALTER TABLE loan DROP COLUMN period_before, DROP COLUMN period_out, DROP COLUMN held_out, DROP COLUMN state_before, DROP COLUMN state_left, DROP COLUMN condition_before,
  DROP COLUMN place_before, DROP COLUMN displaced;
DROP TABLE hand_over, inspection;
