DROP FUNCTION append_events(uuid, timestamptz, uuid, text, uuid[], bigint, text, bytea[]);
DROP FUNCTION append_event(uuid, timestamptz, uuid, text, uuid, bigint, text, bytea);
DROP TABLE event, head, answer, token, member, garage, club;
DROP FUNCTION fence(regclass);
