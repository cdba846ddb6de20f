SET lock_timeout = '1s';

ALTER TABLE club DROP COLUMN origins;
