DROP INDEX reading_void_of_member;
DROP INDEX reading_of_member;
DROP FUNCTION revert_import(uuid, uuid);
DROP TABLE import_made;
DROP TABLE import;
