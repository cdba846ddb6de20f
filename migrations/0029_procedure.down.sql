SET lock_timeout = '1s';
DROP TABLE procedure_edition, procedure;
