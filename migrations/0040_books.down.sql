DROP TRIGGER entry_reversed ON entry;
DROP TRIGGER entry_opens ON entry;
DROP TABLE bank_row, bank_statement;
DROP FUNCTION open_books(), decide_bank_row(), open_bank_row();
DROP INDEX entry_that_opens;
