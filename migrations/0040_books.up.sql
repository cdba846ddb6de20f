-- What the books begin with, and what the bank tells.
SET lock_timeout = '1s';

-- The books begin once, and nothing is booked before. An opening that was reversed is as none, so that it can be given anew.
CREATE INDEX entry_that_opens ON entry (club_id, number) WHERE kind = 'opening';

CREATE FUNCTION open_books() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  begins date := (SELECT o.booked_on FROM entry o WHERE o.club_id = NEW.club_id AND o.kind = 'opening'
    AND NOT EXISTS (SELECT FROM entry r WHERE r.club_id = o.club_id AND r.reverses = o.id) ORDER BY o.number LIMIT 1);
BEGIN
  IF NEW.kind = 'opening' THEN
    IF begins IS NOT NULL THEN
      RAISE check_violation USING CONSTRAINT = 'books_open_once', MESSAGE = 'the books have an opening that stands';
    ELSIF EXISTS (SELECT FROM entry e WHERE e.club_id = NEW.club_id AND e.booked_on < NEW.booked_on AND e.kind NOT IN ('opening', 'reversal')) THEN
      RAISE check_violation USING CONSTRAINT = 'books_open_first', MESSAGE = 'something is booked before that day';
    END IF;
  ELSIF NEW.booked_on < begins AND NEW.kind <> 'reversal' THEN
    RAISE check_violation USING CONSTRAINT = 'books_begin', MESSAGE = format('the books begin on %s', begins);
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION open_books() FROM PUBLIC;
-- Behind entry_numbered, whose lock makes the entries of a club come one after the other.
CREATE TRIGGER entry_opens BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION open_books();

-- A file of the bank that came in.
CREATE TABLE bank_statement (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  member_id uuid NOT NULL, -- who brought it in
  recorded_at timestamptz NOT NULL,
  rows_read integer NOT NULL CHECK (rows_read > 0),
  created integer NOT NULL CHECK (created >= 0),
  existing integer NOT NULL CHECK (existing >= 0),
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('bank_statement');
GRANT INSERT ON bank_statement TO pinwright_app;

-- What the bank tells of one movement of money, and what became of it here.
CREATE TABLE bank_row (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  statement_id uuid NOT NULL,
  row_number integer NOT NULL CHECK (row_number > 0), -- of the file
  booked_on date NOT NULL,
  minor bigint NOT NULL CHECK (minor <> 0), -- above 0: came in
  currency char(3) NOT NULL,
  reference text NOT NULL DEFAULT '' CHECK (length(reference) <= 500),
  name text NOT NULL DEFAULT '' CHECK (length(name) <= 200),
  digest bytea NOT NULL CHECK (octet_length(digest) = 32), -- of what it tells, and the how manyth of its kind in a file it is
  state text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'booked', 'linked', 'set_aside')), -- booked: its entry was made of it; linked: it was there before
  entry_id uuid,
  decided_by uuid,
  decided_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT bank_row_once UNIQUE (club_id, digest),
  CONSTRAINT bank_row_of_entry UNIQUE (club_id, entry_id),
  FOREIGN KEY (club_id, statement_id) REFERENCES bank_statement,
  FOREIGN KEY (club_id, entry_id) REFERENCES entry,
  FOREIGN KEY (club_id, decided_by) REFERENCES member (club_id, id),
  CONSTRAINT bank_row_has_its_entry CHECK ((entry_id IS NOT NULL) = (state IN ('booked', 'linked')))
);
CREATE INDEX bank_row_open ON bank_row (club_id, id) WHERE state = 'open';
CREATE INDEX bank_row_of_statement ON bank_row (club_id, statement_id, id);
SELECT fence('bank_row');
GRANT INSERT (club_id, id, statement_id, row_number, booked_on, minor, currency, reference, name, digest), UPDATE (state, entry_id, decided_by, decided_at, version) ON bank_row TO pinwright_app;

-- What an entry says came by the bank moves the bank by just that, and a row that is decided is decided again only when it
-- was opened before.
CREATE FUNCTION decide_bank_row() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  IF OLD.state <> 'open' AND NEW.state <> 'open' THEN
    RAISE check_violation USING CONSTRAINT = 'bank_row_decided_once', MESSAGE = 'the row is decided already';
  END IF;
  IF NEW.entry_id IS NOT NULL AND NEW.minor IS DISTINCT FROM (SELECT sum(p.minor) FROM posting p JOIN account a ON a.club_id = p.club_id AND a.id = p.account_id
      WHERE p.club_id = NEW.club_id AND p.entry_id = NEW.entry_id AND a.kind = 'bank') THEN
    RAISE check_violation USING CONSTRAINT = 'bank_row_agrees', MESSAGE = 'the entry does not move the bank by what the row says';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION decide_bank_row() FROM PUBLIC;
CREATE TRIGGER bank_row_decided BEFORE UPDATE OF state, entry_id ON bank_row FOR EACH ROW EXECUTE FUNCTION decide_bank_row();

-- A row whose entry is reversed is open again, whoever reverses it.
CREATE FUNCTION open_bank_row() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  UPDATE bank_row SET state = 'open', entry_id = NULL, decided_by = NEW.by_member, decided_at = NEW.recorded_at, version = version + 1
    WHERE club_id = NEW.club_id AND entry_id = NEW.reverses;
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION open_bank_row() FROM PUBLIC;
CREATE TRIGGER entry_reversed AFTER INSERT ON entry FOR EACH ROW WHEN (NEW.reverses IS NOT NULL) EXECUTE FUNCTION open_bank_row();
