ALTER TABLE tool DROP COLUMN present_garage_id;
DROP INDEX tool_model_size;
ALTER TABLE tool_model DROP COLUMN serves_from_nm, DROP COLUMN serves_until_nm, DROP COLUMN tolerance_lower_nm, DROP COLUMN tolerance_upper_nm, DROP COLUMN puller;
