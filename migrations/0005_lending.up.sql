-- Promises of tools. A double booking is impossible: no_double_booking. Every lending write first locks its tool rows in
-- the order of their ids, then bookings, then the journal's head, so that no two writers wait in a circle.
SET lock_timeout = '1s';

CREATE TABLE reservation (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  purpose text NOT NULL DEFAULT '',
  recommendation_id uuid,
  created_at timestamptz NOT NULL,
  cancelled_at timestamptz,
  cancel_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX reservation_of_member ON reservation (club_id, member_id, id DESC);
SELECT fence('reservation');
GRANT INSERT, UPDATE (cancelled_at, cancel_reason, version) ON reservation TO pinwright_app;

-- One row for each tool promised. held = period + the way to its garage before + cleaning and the way back after, written when
-- booked, so that a later change of the club's rule moves no promise; trimmed when the tool comes back, and kept then, so that
-- nobody gets it before it is clean. Of a tool that was lost nothing is held.
CREATE TABLE booking (
  club_id uuid NOT NULL,
  reservation_id uuid NOT NULL,
  line smallint NOT NULL,
  tool_id uuid NOT NULL,
  period tstzrange NOT NULL,
  held tstzrange NOT NULL,
  held_until timestamptz GENERATED ALWAYS AS (upper(held)) STORED, -- for booking_ahead
  state text NOT NULL DEFAULT 'reserved' CHECK (state IN ('reserved', 'out', 'returned', 'cancelled', 'lost')),
  PRIMARY KEY (club_id, reservation_id, line),
  FOREIGN KEY (club_id, reservation_id) REFERENCES reservation,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  CONSTRAINT period_bounds CHECK (NOT isempty(period) AND lower_inc(period) AND NOT upper_inc(period) AND NOT lower_inf(period) AND NOT upper_inf(period)),
  CONSTRAINT held_covers_period CHECK (held @> period),
  CONSTRAINT no_double_booking EXCLUDE USING gist (club_id WITH =, tool_id WITH =, held WITH &&) WHERE (state IN ('reserved', 'out', 'returned'))
);
CREATE INDEX booking_of_tool ON booking (club_id, tool_id, reservation_id DESC);
-- What a tool is promised for from some time on. Under row level security the operators of ranges, which are not leakproof, may
-- not be asked of an index before the policy, so the index of no_double_booking would read a tool's whole past. Queries use
-- the same words as this predicate: they mean what the constraint's mean, but keep the planner from that index, whose cost it
-- takes for too low.
CREATE INDEX booking_ahead ON booking (club_id, tool_id, held_until) WHERE state NOT IN ('cancelled', 'lost');
SELECT fence('booking');
GRANT INSERT, UPDATE (state) ON booking TO pinwright_app;
