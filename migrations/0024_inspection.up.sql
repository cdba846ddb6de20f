-- What keepers find when they look at a tool, loans passed from member to member, and what a return changed, so that it can
-- be undone.
SET lock_timeout = '1s';

CREATE TABLE inspection (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  tool_id uuid NOT NULL,
  verdict text NOT NULL CHECK (verdict IN ('good', 'usable', 'bad')),
  condition text NOT NULL CHECK (condition IN ('good', 'worn', 'damaged', 'incomplete')),
  parts integer CHECK (parts >= 0), -- counted
  checks jsonb NOT NULL DEFAULT '[]' CHECK (jsonb_typeof(checks) = 'array'), -- sizes that were read, as entered and in nanometres
  note text NOT NULL DEFAULT '',
  next_due_on date,
  return_id uuid, -- made as the tool came back
  inspected_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, return_id) REFERENCES counter_act,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX inspection_of_tool ON inspection (club_id, tool_id, id DESC);
SELECT fence('inspection');
GRANT INSERT ON inspection TO pinwright_app;

-- A loan on its way from one member to another: offered by who has the tool, taken once the other has said so too.
CREATE TABLE hand_over (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  loan_id uuid NOT NULL,
  to_member uuid NOT NULL,
  offered_at timestamptz NOT NULL,
  answered_at timestamptz,
  answer text CHECK (answer IN ('confirmed', 'declined', 'withdrawn')),
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, loan_id) REFERENCES loan,
  FOREIGN KEY (club_id, to_member) REFERENCES member,
  CONSTRAINT hand_over_is_answered_once CHECK ((answered_at IS NULL) = (answer IS NULL))
);
CREATE UNIQUE INDEX hand_over_pending ON hand_over (club_id, loan_id) WHERE answer IS NULL; -- to one at a time
SELECT fence('hand_over');
GRANT INSERT, UPDATE (answered_at, answer) ON hand_over TO pinwright_app;

ALTER TABLE loan
  ADD COLUMN period_before tstzrange, -- of the booking before it went out; held_before beside it
  ADD COLUMN period_out tstzrange, -- of the booking before the tool came back
  ADD COLUMN held_out tstzrange,
  ADD COLUMN state_before text CHECK (state_before IN ('in_service', 'quarantine', 'lost', 'retired')), -- of the tool before it came back
  ADD COLUMN state_left text CHECK (state_left IN ('in_service', 'quarantine', 'lost', 'retired')), -- by the return
  ADD COLUMN condition_before text CHECK (condition_before IN ('good', 'worn', 'damaged', 'incomplete')),
  ADD COLUMN place_before uuid,
  ADD COLUMN displaced integer NOT NULL DEFAULT 0; -- later promises that were moved or endangered as it came back
GRANT UPDATE (period_out, held_out, state_before, state_left, condition_before, place_before, displaced) ON loan TO pinwright_app;
CREATE INDEX loan_out ON loan (club_id, id DESC) WHERE ended IS NULL;
CREATE INDEX booking_in_danger ON booking (club_id, tool_id) WHERE endangered IS NOT NULL AND state = 'reserved';
