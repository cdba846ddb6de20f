SET lock_timeout = '1s';
ALTER TABLE reading DROP COLUMN origin_id;
DROP TABLE history_record, history_row, history_import, history_export, history_consent;
DROP FUNCTION hold_to_consent();
