DROP FUNCTION record_standing(bytea);
DROP TABLE repair_record;
