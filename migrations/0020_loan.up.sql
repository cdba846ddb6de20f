-- Tools out of the house. A loan is of one booking, so nothing goes out that was not reserved, if only a moment before; and a
-- tool has one open loan at most, so it is in one place.
SET lock_timeout = '1s';

ALTER TABLE tool
  ADD COLUMN place_garage_id uuid, -- where it is when it is in the house; none: at its home garage
  ADD COLUMN condition text NOT NULL DEFAULT 'good' CHECK (condition IN ('good', 'worn', 'damaged', 'incomplete')),
  ADD COLUMN value_minor bigint CHECK (value_minor >= 0), -- none: as its model has it
  ADD COLUMN deposit_minor bigint CHECK (deposit_minor >= 0), -- none: as its model has it
  ADD COLUMN inspection_due_on date,
  ADD FOREIGN KEY (club_id, place_garage_id) REFERENCES garage (club_id, id);
GRANT UPDATE (place_garage_id, condition, value_minor, deposit_minor, inspection_due_on) ON tool TO pinwright_app;

ALTER TABLE reservation
  ADD COLUMN approval text NOT NULL DEFAULT 'not_needed' CHECK (approval IN ('not_needed', 'awaited', 'given', 'declined')),
  ADD COLUMN approval_by uuid,
  ADD COLUMN approval_at timestamptz,
  ADD COLUMN offer_until timestamptz, -- held for somebody who waits, who has not said yes yet
  ADD COLUMN walk_in boolean NOT NULL DEFAULT false,
  ADD COLUMN changed_at timestamptz, -- of its newest change; none: as made
  ADD FOREIGN KEY (club_id, approval_by) REFERENCES member (club_id, id);
UPDATE reservation SET changed_at = coalesce(cancelled_at, created_at);
CREATE INDEX reservation_offered ON reservation (club_id, offer_until) WHERE offer_until IS NOT NULL AND cancelled_at IS NULL;
CREATE INDEX reservation_awaiting ON reservation (club_id, id) WHERE approval = 'awaited' AND cancelled_at IS NULL;
GRANT UPDATE (approval, approval_by, approval_at, offer_until, changed_at, purpose) ON reservation TO pinwright_app;

ALTER TABLE booking
  ADD COLUMN garage_id uuid, -- where it is collected and brought back; none: the tool's home garage
  ADD COLUMN asked_model_id uuid, -- any tool of it will do; none: the tool was named
  ADD COLUMN exactly boolean NOT NULL DEFAULT false, -- no equal will do in its place
  ADD COLUMN kit_id uuid,
  ADD COLUMN choice smallint, -- lines of a reservation with the same number stand for one another until one is decided for
  ADD COLUMN decide_by timestamptz, -- then the first of them stays
  ADD COLUMN endangered text CHECK (endangered IN ('late', 'quarantine', 'lost', 'retired', 'calibration')),
  ADD COLUMN endangered_at timestamptz,
  ADD FOREIGN KEY (club_id, garage_id) REFERENCES garage (club_id, id),
  ADD FOREIGN KEY (club_id, asked_model_id) REFERENCES tool_model (club_id, id),
  ADD FOREIGN KEY (club_id, kit_id) REFERENCES kit (club_id, id),
  ADD CONSTRAINT booking_choice_has_a_day CHECK ((choice IS NULL) = (decide_by IS NULL)),
  ADD CONSTRAINT booking_endangered_since CHECK ((endangered IS NULL) = (endangered_at IS NULL));
CREATE INDEX booking_undecided ON booking (club_id, decide_by) WHERE choice IS NOT NULL AND state = 'reserved';
GRANT UPDATE (tool_id, period, held, choice, decide_by, endangered, endangered_at) ON booking TO pinwright_app;

-- What happened over the counter at once: some tools handed out or taken back, or passed on. It can be undone for a quarter of an hour.
CREATE TABLE counter_act (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('handout', 'return', 'hand_over')),
  member_id uuid, -- who collected, brought back or received
  by_member uuid NOT NULL, -- who recorded it
  garage_id uuid,
  occurred_at timestamptz NOT NULL,
  recorded_at timestamptz NOT NULL,
  undone_at timestamptz,
  undone_by uuid,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, by_member) REFERENCES member,
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, undone_by) REFERENCES member
);
SELECT fence('counter_act');
GRANT INSERT, UPDATE (undone_at, undone_by, version) ON counter_act TO pinwright_app;

CREATE TABLE loan (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  reservation_id uuid NOT NULL,
  line smallint NOT NULL,
  tool_id uuid NOT NULL,
  member_id uuid NOT NULL, -- who has it, and answers for it
  handout_id uuid NOT NULL, -- the act by which it went out, or was passed on
  collected_at timestamptz NOT NULL, -- when that happened, which may be before it was recorded
  condition_out text NOT NULL DEFAULT 'good' CHECK (condition_out IN ('good', 'worn', 'damaged', 'incomplete')),
  note_out text NOT NULL DEFAULT '',
  despite_calibration text NOT NULL DEFAULT '', -- why it went out though its calibration did not hold
  deposit_minor bigint CHECK (deposit_minor >= 0), -- taken at the counter
  held_before tstzrange NOT NULL, -- of the booking, so that an act can be undone
  late_at timestamptz, -- when it was found late
  return_id uuid,
  ended_at timestamptz,
  ended text CHECK (ended IN ('returned', 'handed_over', 'lost', 'undone')),
  condition_in text CHECK (condition_in IN ('good', 'worn', 'damaged', 'incomplete')),
  parts_in integer CHECK (parts_in >= 0),
  note_in text NOT NULL DEFAULT '',
  recorded_at timestamptz NOT NULL,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, reservation_id, line) REFERENCES booking,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, handout_id) REFERENCES counter_act,
  FOREIGN KEY (club_id, return_id) REFERENCES counter_act,
  CONSTRAINT loan_ends_as_something CHECK ((ended_at IS NULL) = (ended IS NULL)),
  CONSTRAINT loan_ends_after_it_began CHECK (ended_at >= collected_at)
);
CREATE UNIQUE INDEX loan_open ON loan (club_id, tool_id) WHERE ended IS NULL; -- one place for each tool
CREATE INDEX loan_of_tool ON loan (club_id, tool_id, id DESC);
CREATE INDEX loan_of_member ON loan (club_id, member_id, id DESC);
CREATE INDEX loan_of_booking ON loan (club_id, reservation_id, line);
CREATE INDEX loan_of_handout ON loan (club_id, handout_id);
CREATE INDEX loan_of_return ON loan (club_id, return_id) WHERE return_id IS NOT NULL;
SELECT fence('loan');
GRANT INSERT, UPDATE (late_at, return_id, ended_at, ended, condition_in, parts_in, note_in, version) ON loan TO pinwright_app;
