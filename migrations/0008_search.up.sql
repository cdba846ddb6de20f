-- Finding things by what people call them, spelt rightly or nearly. A trigger keeps the folded names of a row beside it,
-- in the same transaction: a name that is changed or blanked is found no more from that commit on.
SET lock_timeout = '1s';

-- search_fold makes spellings alike that people take for the same: without case, accents, ligatures and double spaces.
-- The database may have the locale C, in which lower() knows ASCII only, so the collation is named.
CREATE FUNCTION search_fold(name text) RETURNS text LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
  SELECT btrim(regexp_replace(
    replace(replace(replace(replace(translate(
      regexp_replace(normalize(lower(name COLLATE "und-x-icu"), NFKD), U&'[\0300-\036F]', '', 'g'),
      'øłđıð', 'oldid'), 'ß', 'ss'), 'æ', 'ae'), 'œ', 'oe'), 'þ', 'th'),
    '\s+', ' ', 'g')) COLLATE "C"
$$;
REVOKE ALL ON FUNCTION search_fold(text) FROM PUBLIC;
COMMENT ON FUNCTION search_fold IS 'A name without case, accents, ligatures and double spaces, for comparing';

CREATE TABLE findable (
  club_id uuid NOT NULL REFERENCES club,
  kind text NOT NULL, -- the table of the thing
  id uuid NOT NULL,
  field text NOT NULL, -- the column that says it
  word smallint NOT NULL, -- 0: the whole name; else what begins with its second, third … word
  folded text COLLATE "C" NOT NULL CHECK (folded <> ''),
  PRIMARY KEY (club_id, kind, id, field, word)
);
CREATE INDEX findable_exact ON findable (club_id, kind, folded, id); -- serves beginnings too, since C compares bytes
CREATE INDEX findable_alike ON findable USING gist (club_id, kind, folded gist_trgm_ops (siglen = 32)) WHERE word = 0;
SELECT fence('findable');

-- search_words is a folded name from each of its first eight words on: people look for a surname, too.
CREATE FUNCTION search_words(folded text) RETURNS TABLE (word smallint, rest text) LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
  SELECT (n - 1)::smallint, array_to_string(w[n:], ' ') FROM (SELECT string_to_array(folded, ' ') AS w) x, generate_series(1, least(cardinality(w), 8)) n WHERE folded <> ''
$$;
REVOKE ALL ON FUNCTION search_words(text) FROM PUBLIC;
COMMENT ON FUNCTION search_words IS 'A folded name from each of its words on';

CREATE FUNCTION note_names() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  was jsonb := CASE WHEN TG_OP = 'INSERT' THEN '{}' ELSE to_jsonb(OLD) END;
  now jsonb := CASE WHEN TG_OP = 'DELETE' THEN '{}' ELSE to_jsonb(NEW) END;
  f text;
BEGIN
  FOREACH f IN ARRAY TG_ARGV LOOP
    CONTINUE WHEN was ->> f IS NOT DISTINCT FROM now ->> f;
    IF TG_OP <> 'INSERT' THEN
      DELETE FROM findable e WHERE e.club_id = OLD.club_id AND e.kind = TG_TABLE_NAME AND e.id = OLD.id AND e.field = f;
    END IF;
    IF TG_OP <> 'DELETE' THEN
      INSERT INTO findable SELECT NEW.club_id, TG_TABLE_NAME, NEW.id, f, w.word, w.rest FROM search_words(search_fold(now ->> f)) w;
    END IF;
  END LOOP;
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION note_names() FROM PUBLIC;
COMMENT ON FUNCTION note_names IS 'Keeps what a row can be found by, from the columns named as arguments';

-- findable_by lets a table's rows be found by the columns named, those that are there already included.
CREATE FUNCTION findable_by(t regclass, VARIADIC fields text[]) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  f text;
BEGIN
  EXECUTE format('CREATE TRIGGER findable AFTER INSERT OR DELETE OR UPDATE OF %s ON %s FOR EACH ROW EXECUTE FUNCTION note_names(%s)',
    (SELECT string_agg(quote_ident(c), ', ') FROM unnest(fields) c), t, (SELECT string_agg(quote_literal(c), ', ') FROM unnest(fields) c));
  FOREACH f IN ARRAY fields LOOP
    EXECUTE format('INSERT INTO findable SELECT t.club_id, %L, t.id, %L, w.word, w.rest FROM %s t, search_words(search_fold(t.%I)) w', t::text, f, t, f);
  END LOOP;
END $$;
REVOKE ALL ON FUNCTION findable_by(regclass, text[]) FROM PUBLIC;
COMMENT ON FUNCTION findable_by IS 'Lets the rows of a table be found by the columns named';

SELECT findable_by('garage', 'code', 'name');
SELECT findable_by('member', 'number', 'name');
SELECT findable_by('tool_model', 'code', 'name');
SELECT findable_by('tool', 'number');
SELECT findable_by('pin_series', 'code', 'name', 'supplier');
SELECT findable_by('joint_template', 'code', 'name');
SELECT findable_by('vehicle', 'code', 'name', 'chassis_number');
SELECT findable_by('joint', 'position');

-- search_names finds what the club of this transaction has by a name. It acts as the owner because the operators that
-- compare by likeness are not leakproof: behind row level security no index may be asked with them. So it tells ids only,
-- of that club only; who asks looks the rows up behind the fence.
CREATE FUNCTION search_names(asked text, kinds text[], most integer) RETURNS TABLE (kind text, id uuid, place smallint, likeness real)
  LANGUAGE sql STABLE SECURITY DEFINER ROWS 50 SET search_path = pg_catalog, public, pg_temp AS $$
  WITH q AS MATERIALIZED (SELECT search_fold(asked) AS text, nullif(current_setting('app.club', true), '')::uuid AS club),
  hit AS (
    SELECT h.* FROM unnest(kinds) k CROSS JOIN LATERAL (
      (SELECT e.kind, e.id, 0 AS place, 1::real AS likeness FROM findable e
        WHERE e.club_id = (SELECT club FROM q) AND e.kind = k AND e.folded = (SELECT text FROM q) AND e.word = 0
        ORDER BY e.id LIMIT most)
      UNION ALL
      (SELECT e.kind, e.id, 1, 1 FROM findable e
        WHERE e.club_id = (SELECT club FROM q) AND e.kind = k AND e.folded >= (SELECT text FROM q) AND e.folded < (SELECT text || U&'\+10FFFF' FROM q)
        ORDER BY e.folded, e.id LIMIT most)
      UNION ALL
      (SELECT e.kind, e.id, 2, word_similarity((SELECT text FROM q), e.folded) FROM findable e
        WHERE e.club_id = (SELECT club FROM q) AND e.kind = k AND e.folded %> (SELECT text FROM q) AND e.word = 0
        ORDER BY e.folded <->> (SELECT text FROM q), e.id LIMIT most)) h)
  SELECT kind, id, min(place)::smallint, max(likeness) FROM hit WHERE (SELECT text <> '' FROM q) GROUP BY kind, id ORDER BY 3, 4 DESC, 1, 2 LIMIT most
$$;
REVOKE ALL ON FUNCTION search_names(text, text[], integer) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION search_names(text, text[], integer) TO pinwright_app;
COMMENT ON FUNCTION search_names IS 'Ids of things of the club of this transaction by exact name (place 0), the beginning of it or of a word in it (1), or likeness (2)';
