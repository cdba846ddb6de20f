DROP TRIGGER loan_undone_unused ON loan;
DROP FUNCTION hold_loan_to_uses();
DROP INDEX repair_step_done;
DROP TABLE tool_renewal, tool_check, tool_use;
ALTER TABLE loan DROP CONSTRAINT loan_of_tool;
CREATE INDEX loan_of_tool ON loan (club_id, tool_id, id DESC);
