-- The club's books: double entry, in whole minor units. Nothing of it is ever changed or taken away; an entry is corrected by
-- one that reverses it.
SET lock_timeout = '1s';

-- One row for a club that keeps books. Its lock makes the entries of a club come one after the other, so that they are
-- numbered without a gap and an entry and the closing of its day cannot pass each other.
CREATE TABLE books (
  club_id uuid PRIMARY KEY REFERENCES club,
  entries bigint NOT NULL DEFAULT 0,
  closed_until date, -- no entry of this day or before it any more
  year_begins text NOT NULL DEFAULT '01-01' CHECK (year_begins ~ '^(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])$'),
  version bigint NOT NULL DEFAULT 1
);
SELECT fence('books');
GRANT INSERT (club_id, year_begins, version), UPDATE (year_begins, version) ON books TO pinwright_app;

CREATE TABLE account (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  -- bank: what the club has; fund: what is put by for tools; charges: income; costs: expense; opening: where the books began;
  -- member: what a member owes; deposit: what the club holds of a member's; tool: what a tool was bought for.
  kind text NOT NULL CHECK (kind IN ('bank', 'fund', 'charges', 'costs', 'opening', 'member', 'deposit', 'tool')),
  member_id uuid,
  tool_id uuid,
  of_id uuid NOT NULL GENERATED ALWAYS AS (coalesce(member_id, tool_id, '00000000-0000-0000-0000-000000000000')) STORED, -- whose it is; nobody's: the club's
  currency char(3) NOT NULL,
  balance bigint NOT NULL DEFAULT 0, -- of all its postings, debits less credits
  PRIMARY KEY (club_id, id),
  CONSTRAINT account_of_each UNIQUE (club_id, kind, of_id),
  CONSTRAINT account_currency UNIQUE (club_id, id, currency),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  CONSTRAINT account_is_whose CHECK ((member_id IS NOT NULL) = (kind IN ('member', 'deposit')) AND (tool_id IS NOT NULL) = (kind = 'tool')),
  CONSTRAINT deposit_is_held CHECK (kind <> 'deposit' OR balance <= 0) -- no more is given back or kept than was taken
);
SELECT fence('account');
GRANT INSERT (club_id, id, kind, member_id, tool_id, currency) ON account TO pinwright_app;

CREATE TABLE entry (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  number bigint NOT NULL, -- 1, 2, 3 … of the club: who writes says the next one, and number_entry holds them to it
  booked_on date NOT NULL,
  kind text NOT NULL CHECK (kind IN ('payment', 'repayment', 'charge', 'purchase', 'deposit_taken', 'deposit_given_back', 'deposit_kept', 'opening', 'reversal')),
  reason text NOT NULL DEFAULT '' CHECK (reason IN ('', 'use', 'consumables', 'late', 'damage', 'other')), -- of a charge
  member_id uuid,
  tool_id uuid,
  minor bigint NOT NULL CHECK (minor > 0),
  currency char(3) NOT NULL,
  note text NOT NULL DEFAULT '' CHECK (length(note) <= 500),
  lines smallint NOT NULL CHECK (lines BETWEEN 2 AND 400), -- how many postings it has
  by_member uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  reverses uuid,
  PRIMARY KEY (club_id, id),
  CONSTRAINT entry_number UNIQUE (club_id, number),
  CONSTRAINT entry_reversed_once UNIQUE (club_id, reverses),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, by_member) REFERENCES member,
  FOREIGN KEY (club_id, reverses) REFERENCES entry,
  CONSTRAINT entry_reverses CHECK ((reverses IS NOT NULL) = (kind = 'reversal')),
  CONSTRAINT entry_has_a_reason CHECK ((reason <> '') = (kind = 'charge'))
);
CREATE INDEX entry_of_member ON entry (club_id, member_id, number) WHERE member_id IS NOT NULL;
CREATE INDEX entry_of_tool ON entry (club_id, tool_id, number) WHERE tool_id IS NOT NULL;
CREATE INDEX entry_booked_on ON entry (club_id, booked_on, number);
SELECT fence('entry');
GRANT INSERT ON entry TO pinwright_app;

CREATE TABLE posting (
  club_id uuid NOT NULL,
  entry_id uuid NOT NULL,
  line smallint NOT NULL CHECK (line >= 0),
  account_id uuid NOT NULL,
  currency char(3) NOT NULL,
  minor bigint NOT NULL CHECK (minor <> 0), -- above 0 a debit, below a credit
  entry_number bigint NOT NULL,
  balance bigint NOT NULL, -- of the account after it
  PRIMARY KEY (club_id, entry_id, line),
  FOREIGN KEY (club_id, entry_id) REFERENCES entry,
  FOREIGN KEY (club_id, account_id, currency) REFERENCES account (club_id, id, currency)
);
CREATE UNIQUE INDEX posting_of_account ON posting (club_id, account_id, entry_number, line);
SELECT fence('posting');
GRANT INSERT (club_id, entry_id, line, account_id, currency, minor) ON posting TO pinwright_app;

CREATE TABLE closing (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  closed_until date NOT NULL,
  note text NOT NULL DEFAULT '' CHECK (length(note) <= 500),
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT closing_day UNIQUE (club_id, closed_until),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('closing');
GRANT INSERT ON closing TO pinwright_app;

CREATE FUNCTION number_entry() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  next bigint;
  closed date;
BEGIN
  INSERT INTO books AS b (club_id, entries) VALUES (NEW.club_id, 1)
    ON CONFLICT (club_id) DO UPDATE SET entries = b.entries + 1
    RETURNING b.entries, b.closed_until INTO next, closed;
  IF NEW.number <> next THEN
    RAISE check_violation USING CONSTRAINT = 'entry_number_is_next', MESSAGE = format('the next entry is number %s', next);
  END IF;
  IF NEW.booked_on <= closed THEN
    RAISE check_violation USING CONSTRAINT = 'books_are_open', MESSAGE = 'the books are closed until after this day';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION number_entry() FROM PUBLIC;
CREATE TRIGGER entry_numbered BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION number_entry();

CREATE FUNCTION balance_account() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  UPDATE account a SET balance = a.balance + NEW.minor WHERE a.club_id = NEW.club_id AND a.id = NEW.account_id RETURNING a.balance INTO NEW.balance;
  NEW.entry_number := (SELECT e.number FROM entry e WHERE e.club_id = NEW.club_id AND e.id = NEW.entry_id);
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION balance_account() FROM PUBLIC;
CREATE TRIGGER posting_balanced BEFORE INSERT ON posting FOR EACH ROW EXECUTE FUNCTION balance_account();

-- An entry has just the lines that it says, so that nothing is added to it later, and they add up to nothing.
CREATE FUNCTION entry_balances() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  of uuid := coalesce(to_jsonb(NEW) ->> 'entry_id', to_jsonb(NEW) ->> 'id');
  declared integer := (SELECT e.lines FROM entry e WHERE e.club_id = NEW.club_id AND e.id = of);
  found integer;
  odd integer;
BEGIN
  SELECT coalesce(sum(p.n), 0), count(*) FILTER (WHERE p.total <> 0) INTO found, odd
    FROM (SELECT count(*) AS n, sum(minor) AS total FROM posting WHERE club_id = NEW.club_id AND entry_id = of GROUP BY currency) p;
  IF found <> declared OR odd > 0 THEN
    RAISE check_violation USING CONSTRAINT = 'entry_balances', MESSAGE = format('entry %s does not balance, or has another number of lines than it says', of);
  END IF;
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION entry_balances() FROM PUBLIC;
CREATE CONSTRAINT TRIGGER entry_balances AFTER INSERT ON entry DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION entry_balances();
CREATE CONSTRAINT TRIGGER posting_balances AFTER INSERT ON posting DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION entry_balances();

CREATE FUNCTION close_books() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  INSERT INTO books AS b (club_id, closed_until) VALUES (NEW.club_id, NEW.closed_until)
    ON CONFLICT (club_id) DO UPDATE SET closed_until = NEW.closed_until WHERE b.closed_until IS NULL OR b.closed_until < NEW.closed_until;
  IF NOT FOUND THEN
    RAISE check_violation USING CONSTRAINT = 'books_close_forward', MESSAGE = 'the books are closed until that day already';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION close_books() FROM PUBLIC;
CREATE TRIGGER closing_closes BEFORE INSERT ON closing FOR EACH ROW EXECUTE FUNCTION close_books();
