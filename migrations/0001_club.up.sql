-- The club, its people, its stored answers and its journal.
--
-- Every table of a club has club_id first in its primary key and in every
-- unique, foreign and exclusion key, so that no key crosses clubs (a unique key or a
-- foreign key is checked past row level security and would tell of foreign rows).
SET lock_timeout = '1s';

-- fence puts a table behind its club: the application role sees and takes only
-- rows of the club named in app.club for this transaction; the owner, who migrates and backfills,
-- has a policy of its own, or a backfill under FORCE would silently touch nothing.
CREATE FUNCTION fence(t regclass) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', t);
  EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', t);
  EXECUTE format('CREATE POLICY club_fence ON %s TO pinwright_app USING (club_id = (SELECT nullif(current_setting(''app.club'', true), '''')::uuid))', t);
  EXECUTE format('CREATE POLICY owner_all ON %s TO pinwright_owner USING (true)', t);
  EXECUTE format('GRANT SELECT ON %s TO pinwright_app', t);
END $$;
REVOKE ALL ON FUNCTION fence(regclass) FROM PUBLIC;
COMMENT ON FUNCTION fence IS 'Puts a table behind its club: row level security, policies, SELECT for the application role';

-- Readiness compares the schema's version with the program's.
GRANT SELECT ON schema_migrations TO pinwright_app;

CREATE TABLE club (
  club_id uuid PRIMARY KEY,
  slug text NOT NULL,
  name text NOT NULL,
  currency char(3) NOT NULL CHECK (currency ~ '^[A-Z]{3}$'),
  units text NOT NULL DEFAULT 'mm' CHECK (units IN ('mm', 'um', 'in', 'thou')),
  turnaround_hours integer NOT NULL DEFAULT 2 CHECK (turnaround_hours BETWEEN 0 AND 240),
  created_at timestamptz NOT NULL,
  version bigint NOT NULL DEFAULT 1
);
-- The slug is checked for the club that a token names, never looked up, so it need not be unique.
SELECT fence('club');
GRANT UPDATE (name, units, turnaround_hours, version) ON club TO pinwright_app;

CREATE TABLE garage (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  address text NOT NULL DEFAULT '',
  time_zone text NOT NULL,
  opens time NOT NULL DEFAULT '08:00',
  closes time NOT NULL DEFAULT '20:00', -- 24:00 is midnight at the end of the day
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT garage_code UNIQUE (club_id, code),
  CONSTRAINT garage_opens_before_it_closes CHECK (opens < closes)
);
SELECT fence('garage');
GRANT INSERT, UPDATE ON garage TO pinwright_app;

-- A person in two clubs is two members.
CREATE TABLE member (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  number text NOT NULL,
  name text NOT NULL,
  roles text[] NOT NULL CHECK (roles <@ ARRAY['member', 'tool_keeper', 'treasurer', 'officer', 'auditor'] AND cardinality(roles) > 0),
  garage_id uuid,
  disabled_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT member_number UNIQUE (club_id, number),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage
);
SELECT fence('member');
GRANT INSERT, UPDATE ON member TO pinwright_app;

-- Only the SHA-256 of a token is kept; its text has 256 random bits, so a plain hash is enough (OWASP ASVS 5.0, 6.5.2).
CREATE TABLE token (
  club_id uuid NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32),
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  label text NOT NULL,
  kind text NOT NULL CHECK (kind IN ('personal', 'device')),
  scopes text[] NOT NULL CHECK (scopes <@ ARRAY['read', 'readings', 'write'] AND cardinality(scopes) > 0),
  created_at timestamptz NOT NULL,
  expires_at timestamptz NOT NULL,
  revoked_at timestamptz,
  used_on date,
  fingerprint bytea NOT NULL, -- of the request that made it, so that the same id with other content is refused
  PRIMARY KEY (club_id, hash),
  CONSTRAINT token_id UNIQUE (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('token');
GRANT INSERT, UPDATE (revoked_at, used_on) ON token TO pinwright_app;

-- Stored answers: the row is inserted first, so that equal requests wait on it, and completed with the commit;
-- a request that fails leaves none. Kept 30 days.
CREATE TABLE answer (
  club_id uuid NOT NULL REFERENCES club,
  member_id uuid NOT NULL,
  operation text NOT NULL,
  key uuid NOT NULL,
  fingerprint bytea NOT NULL,
  at timestamptz NOT NULL,
  status smallint CHECK (status BETWEEN 200 AND 299),
  headers jsonb,
  body bytea,
  PRIMARY KEY (club_id, member_id, operation, key)
);
CREATE INDEX answer_age ON answer (club_id, at);
SELECT fence('answer');
GRANT INSERT, UPDATE (status, headers, body), DELETE ON answer TO pinwright_app;

-- The journal: head is locked last in every write; that gives commit order, a cursor without gaps and the audit chain at once.
CREATE TABLE head (
  club_id uuid PRIMARY KEY REFERENCES club,
  seq bigint NOT NULL DEFAULT 0,
  hash bytea NOT NULL DEFAULT '\x00'
);
SELECT fence('head');

-- Events carry ids and digests, never names, so that erasure stays possible.
CREATE TABLE event (
  club_id uuid NOT NULL REFERENCES club,
  seq bigint NOT NULL,
  at timestamptz NOT NULL,
  actor uuid,
  type text NOT NULL,
  subject uuid NOT NULL,
  subject_version bigint NOT NULL,
  audience text NOT NULL,
  digest bytea NOT NULL,
  hash bytea NOT NULL,
  PRIMARY KEY (club_id, seq)
);
SELECT fence('event');

CREATE FUNCTION append_event(c uuid, t timestamptz, actor uuid, type text, subject uuid, ver bigint, audience text, digest bytea) RETURNS bigint
  LANGUAGE sql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
  WITH h AS (
    UPDATE head SET seq = seq + 1,
      hash = sha256(hash || digest || convert_to(jsonb_build_array(c, seq + 1, extract(epoch FROM t), actor, type, subject, ver, audience)::text, 'UTF8'))
    WHERE club_id = c AND c = (SELECT nullif(current_setting('app.club', true), '')::uuid)
    RETURNING seq, hash)
  INSERT INTO event SELECT c, seq, t, actor, type, subject, ver, audience, digest, hash FROM h RETURNING seq
$$;
REVOKE ALL ON FUNCTION append_event(uuid, timestamptz, uuid, text, uuid, bigint, text, bytea) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION append_event(uuid, timestamptz, uuid, text, uuid, bigint, text, bytea) TO pinwright_app;
COMMENT ON FUNCTION append_event IS 'Appends to the journal of the club of this transaction; the only way to write head and event';

-- append_events is append_event for many subjects: the head is written once, or a batch of a thousand would leave a
-- thousand dead versions of it for the next transactions to step over.
CREATE FUNCTION append_events(c uuid, t timestamptz, actor uuid, type text, subjects uuid[], ver bigint, audience text, digests bytea[]) RETURNS bigint
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  last bigint;
  chain bytea;
BEGIN
  SELECT h.seq, h.hash INTO last, chain FROM head h
    WHERE h.club_id = c AND c = (SELECT nullif(current_setting('app.club', true), '')::uuid) FOR NO KEY UPDATE;
  IF NOT FOUND THEN
    RETURN NULL;
  END IF;
  FOR i IN 1 .. cardinality(subjects) LOOP
    last := last + 1;
    chain := sha256(chain || digests[i] || convert_to(jsonb_build_array(c, last, extract(epoch FROM t), actor, type, subjects[i], ver, audience)::text, 'UTF8'));
    INSERT INTO event VALUES (c, last, t, actor, type, subjects[i], ver, audience, digests[i], chain);
  END LOOP;
  UPDATE head h SET seq = last, hash = chain WHERE h.club_id = c;
  RETURN last;
END $$;
REVOKE ALL ON FUNCTION append_events(uuid, timestamptz, uuid, text, uuid[], bigint, text, bytea[]) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION append_events(uuid, timestamptz, uuid, text, uuid[], bigint, text, bytea[]) TO pinwright_app;
COMMENT ON FUNCTION append_events IS 'append_event for many subjects of one kind of change, in their order';
