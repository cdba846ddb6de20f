DROP TABLE closing, posting, entry, account, books;
DROP FUNCTION number_entry(), balance_account(), entry_balances(), close_books();
