SET lock_timeout = '1s';
DROP FUNCTION erase_club(uuid, timestamptz);
DROP FUNCTION erase_member(uuid, uuid, text, timestamptz);
DROP FUNCTION erase_words(uuid, uuid, timestamptz);
ALTER TABLE member DROP CONSTRAINT member_erased_is_disabled, DROP COLUMN erased_at;
