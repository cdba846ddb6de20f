-- Guests, what a garage's day is asked of, and what tools went through.
SET lock_timeout = '1s';

-- A guest is a member for a while, on the word of another. Nothing has to run for it to end: whoever asks who calls compares
-- guest_until with the time. It is kept beside the day, so that a garage that moves to another time zone moves no end.
ALTER TABLE member
  ADD COLUMN host_id uuid,
  ADD COLUMN guest_last_day date,
  ADD COLUMN guest_until timestamptz, -- the end of that day at the guest's garage, else the host's
  ADD FOREIGN KEY (club_id, host_id) REFERENCES member (club_id, id),
  ADD CONSTRAINT member_guest_is_whole CHECK (num_nonnulls(host_id, guest_last_day, guest_until) IN (0, 3)),
  ADD CONSTRAINT member_guest_has_no_office CHECK (host_id IS NULL OR roles = '{member}'),
  ADD CONSTRAINT member_guest_of_another CHECK (host_id <> id);
CREATE INDEX member_of_host ON member (club_id, host_id) WHERE host_id IS NOT NULL;

-- Nothing is promised or handed to a guest beyond their stay, by whatever way it is booked.
CREATE FUNCTION hold_booking_to_stay() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  -- What comes back is taken back, however long after the stay.
  IF NEW.state IN ('reserved', 'out') AND EXISTS (SELECT FROM reservation r JOIN member m ON m.club_id = r.club_id AND m.id = r.member_id
             WHERE r.club_id = NEW.club_id AND r.id = NEW.reservation_id AND m.guest_until < upper(NEW.period)) THEN
    RAISE check_violation USING CONSTRAINT = 'guest_stays_as_long', MESSAGE = 'the period ends after the stay of the guest';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION hold_booking_to_stay() FROM PUBLIC;
COMMENT ON FUNCTION hold_booking_to_stay IS 'Refuses to book a tool for a guest beyond their stay';
CREATE TRIGGER guest_stays_as_long BEFORE INSERT OR UPDATE OF period ON booking FOR EACH ROW EXECUTE FUNCTION hold_booking_to_stay();

CREATE FUNCTION hold_loan_to_stay() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  IF EXISTS (SELECT FROM member m JOIN booking b ON b.club_id = m.club_id AND b.reservation_id = NEW.reservation_id AND b.line = NEW.line
             WHERE m.club_id = NEW.club_id AND m.id = NEW.member_id AND m.guest_until < upper(b.period)) THEN
    RAISE check_violation USING CONSTRAINT = 'guest_stays_as_long', MESSAGE = 'the tool is due after the stay of the guest';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION hold_loan_to_stay() FROM PUBLIC;
COMMENT ON FUNCTION hold_loan_to_stay IS 'Refuses to hand a tool to a guest that is due after their stay';
CREATE TRIGGER guest_stays_as_long BEFORE INSERT ON loan FOR EACH ROW EXECUTE FUNCTION hold_loan_to_stay();

-- The ends of a period by themselves: under row level security the functions of ranges, which are not leakproof, may not be
-- asked of an index before the policy (see booking_ahead).
ALTER TABLE booking
  ADD COLUMN begins_at timestamptz GENERATED ALWAYS AS (lower(period)) STORED,
  ADD COLUMN ends_at timestamptz GENERATED ALWAYS AS (upper(period)) STORED;
CREATE INDEX booking_begins ON booking (club_id, begins_at) WHERE state = 'reserved';
CREATE INDEX booking_ends ON booking (club_id, ends_at) WHERE state IN ('reserved', 'out');
CREATE INDEX booking_next ON booking (club_id, tool_id, begins_at) WHERE state = 'reserved';
CREATE INDEX tool_at_place ON tool (club_id, place_garage_id) WHERE place_garage_id IS NOT NULL;

-- day_begins is the first moment of day d where the clock is tz's. Where that clock skips midnight it is read with the offset
-- before the gap, and of a midnight that is shown twice the first is meant (RFC 5545, 3.3.5); AT TIME ZONE takes the second.
CREATE FUNCTION day_begins(tz text, d date) RETURNS timestamptz LANGUAGE sql STABLE SET search_path = pg_catalog, public, pg_temp AS $$
  WITH shown AS (SELECT d::timestamp AT TIME ZONE 'UTC' AS at),
       offsets AS (SELECT at,
         ((at - interval '24 hours') AT TIME ZONE tz) - ((at - interval '24 hours') AT TIME ZONE 'UTC') AS before,
         ((at + interval '24 hours') AT TIME ZONE tz) - ((at + interval '24 hours') AT TIME ZONE 'UTC') AS after FROM shown)
  SELECT CASE
    WHEN (at - greatest(before, after)) AT TIME ZONE tz = d::timestamp THEN at - greatest(before, after)
    WHEN (at - least(before, after)) AT TIME ZONE tz = d::timestamp THEN at - least(before, after)
    ELSE at - before END FROM offsets
$$;
REVOKE ALL ON FUNCTION day_begins(text, date) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION day_begins(text, date) TO pinwright_app;
COMMENT ON FUNCTION day_begins IS 'The first moment of a day by the clock of a time zone';

-- What a tool went through beside its loans, calibrations and inspections: a row for each change that shows where it is and
-- whether it can be lent, whichever statement made it. A column is null where nothing changed. The time is the writing
-- transaction's own, which the service sets beside app.club; an operator's statement has the server's.
CREATE TABLE tool_change (
  club_id uuid NOT NULL,
  id uuid NOT NULL DEFAULT gen_random_uuid(),
  tool_id uuid NOT NULL,
  at timestamptz NOT NULL,
  state text,
  home_garage_id uuid,
  place_garage_id uuid,
  condition text,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, home_garage_id) REFERENCES garage (club_id, id),
  FOREIGN KEY (club_id, place_garage_id) REFERENCES garage (club_id, id),
  CONSTRAINT tool_change_tells_something CHECK (num_nonnulls(state, home_garage_id, place_garage_id, condition) > 0)
);
CREATE INDEX tool_change_of_tool ON tool_change (club_id, tool_id, at DESC, id DESC);
SELECT fence('tool_change');
GRANT INSERT ON tool_change TO pinwright_app;

CREATE FUNCTION note_tool_change() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  INSERT INTO tool_change (club_id, tool_id, at, state, home_garage_id, place_garage_id, condition) VALUES (NEW.club_id, NEW.id,
    coalesce(nullif(current_setting('app.at', true), '')::timestamptz, transaction_timestamp()),
    nullif(NEW.state, OLD.state), nullif(NEW.garage_id, OLD.garage_id),
    nullif(coalesce(NEW.place_garage_id, NEW.garage_id), coalesce(OLD.place_garage_id, OLD.garage_id)),
    nullif(NEW.condition, OLD.condition));
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION note_tool_change() FROM PUBLIC;
COMMENT ON FUNCTION note_tool_change IS 'Keeps where a tool was moved and which state it took';
CREATE TRIGGER note_tool_change AFTER UPDATE ON tool FOR EACH ROW
  WHEN ((NEW.state, NEW.garage_id, coalesce(NEW.place_garage_id, NEW.garage_id), NEW.condition)
    IS DISTINCT FROM (OLD.state, OLD.garage_id, coalesce(OLD.place_garage_id, OLD.garage_id), OLD.condition))
  EXECUTE FUNCTION note_tool_change();
