SET lock_timeout = '1s';
DROP INDEX loan_ended;
DROP TABLE loan_charge_entry, loan_charge, quote_line, quote, tool_cost, charge_rule;
