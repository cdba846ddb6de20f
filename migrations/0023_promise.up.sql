-- What a member was promised, without reading through all reservations that they ever made; and which tools are out, however long ago they were due.
SET lock_timeout = '1s';

-- A booking is its reservation's member's, whoever has the tool just now.
ALTER TABLE booking ADD COLUMN member_id uuid;
UPDATE booking b SET member_id = r.member_id FROM reservation r WHERE r.club_id = b.club_id AND r.id = b.reservation_id;
ALTER TABLE booking ADD CONSTRAINT booking_has_its_member CHECK (member_id IS NOT NULL);

CREATE FUNCTION book_for_member() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  SELECT r.member_id INTO NEW.member_id FROM reservation r WHERE r.club_id = NEW.club_id AND r.id = NEW.reservation_id;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION book_for_member() FROM PUBLIC;
COMMENT ON FUNCTION book_for_member IS 'Writes whose a booking is: its reservation''s member, who never changes';
CREATE TRIGGER booking_for_member BEFORE INSERT ON booking FOR EACH ROW EXECUTE FUNCTION book_for_member();

-- The predicates differ from that of booking_ahead, so that the planner never takes these, whose columns it half knows, in its place.
CREATE INDEX booking_of_member ON booking (club_id, member_id, held_until) WHERE state IN ('reserved', 'returned');
CREATE INDEX booking_out_of_member ON booking (club_id, member_id) WHERE state = 'out';
CREATE INDEX booking_out ON booking (club_id, tool_id) WHERE state = 'out';
CREATE INDEX loan_open_of_member ON loan (club_id, member_id) WHERE ended IS NULL;
CREATE INDEX certificate_of_model ON certificate (club_id, model_id, id DESC);
CREATE INDEX certificate_listed ON certificate (club_id, member_id, id DESC);

-- A change may move the place of collection too.
GRANT UPDATE (garage_id) ON booking TO pinwright_app;

-- A change moves several lines by one statement, of which one may take the place that another leaves: the constraint looks at the statement's end.
ALTER TABLE booking DROP CONSTRAINT no_double_booking;
ALTER TABLE booking ADD CONSTRAINT no_double_booking EXCLUDE USING gist (club_id WITH =, tool_id WITH =, held WITH &&) WHERE (state IN ('reserved', 'out', 'returned')) DEFERRABLE INITIALLY IMMEDIATE;
