-- Sheets that came in, with what each made, so that it can be taken back.
SET lock_timeout = '1s';

CREATE TABLE import (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('members', 'tool_models', 'tools', 'kits', 'vehicles', 'joints', 'readings')),
  member_id uuid NOT NULL, -- who brought it in
  created_at timestamptz NOT NULL,
  created integer NOT NULL CHECK (created >= 0),
  existing integer NOT NULL CHECK (existing >= 0),
  refused integer NOT NULL CHECK (refused >= 0),
  report bytea NOT NULL, -- as it was answered; of people it holds numbers, never names, so that nobody need be erased from it
  reverted_at timestamptz,
  reverted_by uuid,
  revert_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, reverted_by) REFERENCES member (club_id, id),
  CONSTRAINT import_reverted_by_somebody CHECK ((reverted_at IS NULL) = (reverted_by IS NULL))
);
SELECT fence('import');
GRANT INSERT, UPDATE (reverted_at, reverted_by, revert_reason, version) ON import TO pinwright_app;

-- What an import made: written with it, never changed, or an import could be made to take back what it did not make.
CREATE TABLE import_made (
  club_id uuid NOT NULL,
  import_id uuid NOT NULL,
  thing text NOT NULL CHECK (thing IN ('member', 'tool_model', 'tool', 'kit', 'vehicle', 'joint', 'feature', 'reading')),
  thing_id uuid NOT NULL,
  row_number integer NOT NULL CHECK (row_number > 0), -- of the sheet
  PRIMARY KEY (club_id, import_id, thing, thing_id),
  FOREIGN KEY (club_id, import_id) REFERENCES import
);
SELECT fence('import_made');
GRANT INSERT ON import_made TO pinwright_app;

-- revert_import deletes what an import of the transaction's club made, or, when something of it was changed or something
-- else rests on it, deletes nothing and returns what holds it. Readings are not its business: they are history, and voided.
-- The application's role has no right to delete. This is all that it can bring about: that rows of its club go which an
-- import lists, which nobody has changed since they were made (version 1) and on which nothing rests.
-- What rests on a thing is read from the catalogue of foreign keys, so that a table that comes later counts too. The rows
-- are locked first, and a new reference waits for that lock; the foreign keys themselves are the backstop.
CREATE FUNCTION revert_import(c uuid, i uuid) RETURNS TABLE (row_number integer, thing_id uuid, held_by text)
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
#variable_conflict use_column
DECLARE
  t text;
  key record;
  ids uuid[];
  own uuid[];
  held boolean := false;
  things CONSTANT text[] := ARRAY['feature', 'joint', 'vehicle', 'kit', 'tool', 'tool_model', 'member']; -- what refers first
BEGIN
  IF c IS NULL OR c IS DISTINCT FROM nullif(current_setting('app.club', true), '')::uuid THEN
    RAISE insufficient_privilege USING MESSAGE = 'revert_import: not the club of this transaction';
  END IF;
  FOREACH t IN ARRAY things LOOP
    ids := ARRAY(SELECT m.thing_id FROM import_made m WHERE m.club_id = c AND m.import_id = i AND m.thing = t);
    EXECUTE format('SELECT FROM %I x WHERE x.club_id = $1 AND x.id = ANY ($2) ORDER BY x.id FOR UPDATE', t) USING c, ids;
  END LOOP;
  FOREACH t IN ARRAY things LOOP
    ids := ARRAY(SELECT m.thing_id FROM import_made m WHERE m.club_id = c AND m.import_id = i AND m.thing = t);
    CONTINUE WHEN ids = '{}';
    RETURN QUERY EXECUTE format('SELECT m.row_number, m.thing_id, %L FROM %I x JOIN import_made m ON m.club_id = $1 AND m.import_id = $3 AND m.thing = %L AND m.thing_id = x.id
      WHERE x.club_id = $1 AND x.id = ANY ($2) AND x.version <> 1', 'changed', t, t) USING c, ids, i;
    held := held OR FOUND;
    FOR key IN
      SELECT k.conrelid::regclass::text AS child, b.attname AS refers, EXISTS (SELECT FROM pg_attribute o WHERE o.attrelid = k.conrelid AND o.attname = 'id') AS named
      FROM pg_constraint k
      CROSS JOIN LATERAL unnest(k.conkey, k.confkey) AS pair (here, there)
      JOIN pg_attribute a ON a.attrelid = k.confrelid AND a.attnum = pair.there AND a.attname = 'id'
      JOIN pg_attribute b ON b.attrelid = k.conrelid AND b.attnum = pair.here
      WHERE k.contype = 'f' AND k.confrelid = t::regclass AND NOT (t = 'kit' AND k.conrelid = 'kit_part'::regclass) -- a kit's parts go with it
      ORDER BY 1, 2
    LOOP
      own := ARRAY(SELECT m.thing_id FROM import_made m WHERE m.club_id = c AND m.import_id = i AND m.thing = key.child); -- goes itself
      RETURN QUERY EXECUTE format('SELECT m.row_number, m.thing_id, %L FROM (SELECT DISTINCT y.%I AS id FROM %s y WHERE y.club_id = $1 AND y.%I = ANY ($2) %s) AS used
        JOIN import_made m ON m.club_id = $1 AND m.import_id = $3 AND m.thing = %L AND m.thing_id = used.id',
        key.child, key.refers, key.child, key.refers, CASE WHEN key.named AND key.child = ANY (things) THEN 'AND y.id <> ALL ($4)' ELSE '' END, t) USING c, ids, i, own;
      held := held OR FOUND;
    END LOOP;
  END LOOP;
  IF held THEN
    RETURN;
  END IF;
  FOREACH t IN ARRAY things LOOP
    ids := ARRAY(SELECT m.thing_id FROM import_made m WHERE m.club_id = c AND m.import_id = i AND m.thing = t);
    IF t = 'kit' THEN
      DELETE FROM kit_part p WHERE p.club_id = c AND p.kit_id = ANY (ids);
    END IF;
    EXECUTE format('DELETE FROM %I x WHERE x.club_id = $1 AND x.id = ANY ($2) AND x.version = 1', t) USING c, ids;
  END LOOP;
END $$;
REVOKE ALL ON FUNCTION revert_import(uuid, uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION revert_import(uuid, uuid) TO pinwright_app;
COMMENT ON FUNCTION revert_import IS 'Deletes what one import made, or returns what holds it';

-- Before a member goes, every table that refers to members is asked for that member; without these, each would cost a walk
-- through all readings of the club.
CREATE INDEX reading_of_member ON reading (club_id, member_id);
CREATE INDEX reading_void_of_member ON reading_void (club_id, member_id);
