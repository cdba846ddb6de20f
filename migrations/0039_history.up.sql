-- A vehicle's history goes with it into another club: its owner's consents, what was given out, what came in. What came from
-- elsewhere is kept as it came beside the rows that were made of it, so that it is passed on unchanged and can be checked.
SET lock_timeout = '1s';

-- That the history may be given out. An owner's own, or on paper, as an officer recorded it.
CREATE TABLE history_consent (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  owner_id uuid NOT NULL, -- whose vehicle it was then; another owner has not consented
  recorded_by uuid NOT NULL,
  written boolean NOT NULL, -- on paper
  note text NOT NULL DEFAULT '', -- where the paper is
  given_at timestamptz NOT NULL,
  expires_at timestamptz NOT NULL,
  withdrawn_at timestamptz,
  withdrawn_by uuid,
  PRIMARY KEY (club_id, id),
  CONSTRAINT history_consent_of_vehicle UNIQUE (club_id, vehicle_id, id),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, owner_id) REFERENCES member,
  FOREIGN KEY (club_id, recorded_by) REFERENCES member,
  FOREIGN KEY (club_id, withdrawn_by) REFERENCES member,
  CONSTRAINT history_consent_ends CHECK (expires_at > given_at),
  CONSTRAINT history_consent_withdrawn_by_somebody CHECK ((withdrawn_at IS NULL) = (withdrawn_by IS NULL)),
  CONSTRAINT history_consent_by_owner_or_paper CHECK (written OR recorded_by = owner_id)
);
SELECT fence('history_consent');
GRANT INSERT, UPDATE (withdrawn_at, withdrawn_by) ON history_consent TO pinwright_app;

-- Each time a history was given out.
CREATE TABLE history_export (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  consent_id uuid NOT NULL,
  member_id uuid NOT NULL,
  made_at timestamptz NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32), -- of the document
  rows integer NOT NULL CHECK (rows > 0),
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, vehicle_id, consent_id) REFERENCES history_consent (club_id, vehicle_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX history_export_of_vehicle ON history_export (club_id, vehicle_id, id DESC);
SELECT fence('history_export');
GRANT INSERT ON history_export TO pinwright_app; -- history

-- Nothing is given out past a withdrawal that was answered: whoever withdraws waits for this lock, or this sees it.
CREATE FUNCTION hold_to_consent() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  PERFORM FROM history_consent c JOIN vehicle v ON v.club_id = c.club_id AND v.id = c.vehicle_id AND v.member_id = c.owner_id
    WHERE c.club_id = NEW.club_id AND c.id = NEW.consent_id AND c.withdrawn_at IS NULL AND NEW.made_at < c.expires_at FOR SHARE OF c;
  IF NOT FOUND THEN
    RAISE check_violation USING MESSAGE = 'the consent does not stand', CONSTRAINT = 'history_export_consented';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION hold_to_consent() FROM PUBLIC;
COMMENT ON FUNCTION hold_to_consent IS 'Refuses to note an export without its owner''s live consent';
CREATE TRIGGER hold_to_consent BEFORE INSERT ON history_export FOR EACH ROW EXECUTE FUNCTION hold_to_consent();

-- Each document that was taken in, once.
CREATE TABLE history_import (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  member_id uuid NOT NULL,
  made_at timestamptz NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32),
  from_club uuid NOT NULL, -- that gave it out, as the document says
  from_name text NOT NULL,
  report bytea NOT NULL, -- as it was answered; it names no person
  PRIMARY KEY (club_id, id),
  CONSTRAINT history_import_once UNIQUE (club_id, hash),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX history_import_of_vehicle ON history_import (club_id, vehicle_id, id DESC);
SELECT fence('history_import');
GRANT INSERT ON history_import TO pinwright_app; -- history

-- What came in, as it came: canonical JSON (RFC 8785).
CREATE TABLE history_row (
  club_id uuid NOT NULL REFERENCES club,
  vehicle_id uuid NOT NULL,
  section text NOT NULL CHECK (section IN ('vehicle', 'joint', 'reading', 'void', 'wear_event', 'distance', 'photo')),
  row_id uuid NOT NULL, -- the origin's, and the id of what was made of it here
  import_id uuid NOT NULL,
  origin_id uuid, -- the club where it was measured or done; null of the vehicle and its joints
  content text NOT NULL,
  digest bytea NOT NULL,
  PRIMARY KEY (club_id, vehicle_id, section, row_id),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, import_id) REFERENCES history_import,
  CONSTRAINT history_row_digest_of_content CHECK (digest = sha256(convert_to(content, 'UTF8'))),
  CONSTRAINT history_row_origin CHECK ((origin_id IS NULL) = (section IN ('vehicle', 'joint')))
);
SELECT fence('history_row');
GRANT INSERT ON history_row TO pinwright_app; -- history

-- Records of repairs that were made elsewhere, in the chain of the club that made them.
CREATE TABLE history_record (
  club_id uuid NOT NULL REFERENCES club,
  vehicle_id uuid NOT NULL,
  origin_id uuid NOT NULL,
  place integer NOT NULL CHECK (place > 0),
  previous bytea,
  hash bytea NOT NULL,
  content text NOT NULL,
  made_at timestamptz NOT NULL,
  import_id uuid NOT NULL,
  PRIMARY KEY (club_id, vehicle_id, origin_id, place),
  CONSTRAINT history_record_hash UNIQUE (club_id, vehicle_id, origin_id, hash),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, import_id) REFERENCES history_import,
  FOREIGN KEY (club_id, vehicle_id, origin_id, previous) REFERENCES history_record (club_id, vehicle_id, origin_id, hash),
  CONSTRAINT history_record_chained CHECK ((place = 1) = (previous IS NULL)),
  CONSTRAINT history_record_hash_of_content CHECK (hash = sha256(convert_to(content, 'UTF8')))
);
SELECT fence('history_record');
GRANT INSERT ON history_record TO pinwright_app; -- history

-- The club where a reading was taken; null: here.
ALTER TABLE reading ADD COLUMN origin_id uuid;
