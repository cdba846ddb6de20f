-- Records: what was found, done and measured in a repair that was signed off, written once and chained per vehicle. A record
-- holds no person's name or number, so that people can be erased and the chain stays whole.
SET lock_timeout = '1s';

CREATE TABLE repair_record (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  repair_id uuid NOT NULL,
  place integer NOT NULL CHECK (place > 0), -- in the vehicle's chain
  previous bytea, -- the hash of the record before it
  hash bytea NOT NULL,
  content text NOT NULL, -- canonical JSON (RFC 8785), which says place and previous again
  made_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT repair_record_once UNIQUE (club_id, repair_id),
  CONSTRAINT repair_record_place UNIQUE (club_id, vehicle_id, place),
  CONSTRAINT repair_record_hash UNIQUE (club_id, vehicle_id, hash),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, vehicle_id, previous) REFERENCES repair_record (club_id, vehicle_id, hash),
  CONSTRAINT repair_record_chained CHECK ((place = 1) = (previous IS NULL)),
  CONSTRAINT repair_record_hash_of_content CHECK (hash = sha256(convert_to(content, 'UTF8')))
);
CREATE INDEX repair_record_by_hash ON repair_record (hash);
SELECT fence('repair_record');
GRANT INSERT ON repair_record TO pinwright_app; -- history

-- record_standing tells whoever has a record's hash whether it is known, when it was made, where it stands in its vehicle's
-- chain, and whether it and all before it are as they were written. It acts as the owner because the hash names no club; it tells
-- nothing of the club, the vehicle or the content.
CREATE FUNCTION record_standing(asked bytea) RETURNS TABLE (made_at timestamptz, place integer, newest integer, whole boolean)
  LANGUAGE sql STABLE SECURITY DEFINER ROWS 1 SET search_path = pg_catalog, public, pg_temp AS $$
  SELECT r.made_at, r.place, (SELECT max(n.place) FROM repair_record n WHERE n.club_id = r.club_id AND n.vehicle_id = r.vehicle_id),
    (SELECT count(*) = r.place AND bool_and(p.hash = sha256(convert_to(p.content, 'UTF8')) AND (p.place = 1 OR EXISTS (
        SELECT FROM repair_record q WHERE q.club_id = p.club_id AND q.vehicle_id = p.vehicle_id AND q.place = p.place - 1 AND q.hash = p.previous)))
     FROM repair_record p WHERE p.club_id = r.club_id AND p.vehicle_id = r.vehicle_id AND p.place <= r.place)
  FROM repair_record r WHERE r.hash = asked ORDER BY r.made_at LIMIT 1
$$;
REVOKE ALL ON FUNCTION record_standing(bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION record_standing(bytea) TO pinwright_app;
COMMENT ON FUNCTION record_standing IS 'Whether a record of this hash was made, when, and whether its chain is whole; of no club by name';
