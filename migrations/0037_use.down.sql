DROP TABLE tool_renewal, tool_check, tool_use;
ALTER TABLE loan DROP CONSTRAINT loan_of_its_tool;
