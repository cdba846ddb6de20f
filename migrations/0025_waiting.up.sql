-- Who waits for tools that were taken. An offer is a reservation with offer_until, which holds its tools; so nothing is offered
-- that is promised to somebody else, and nobody takes what is offered. Locks: the entry's row first, then members, tools,
-- reservations and the journal's head, as in every lending write.
SET lock_timeout = '1s';

CREATE TABLE waiting_entry (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  joined_by uuid NOT NULL, -- the member, or a keeper
  joined_at timestamptz NOT NULL, -- the line is in this order, then by id
  window_from timestamptz NOT NULL, -- any time between these will do
  window_until timestamptz NOT NULL,
  hours integer CHECK (hours BETWEEN 1 AND 2160),
  days integer CHECK (days BETWEEN 1 AND 90), -- from opening on the first until closing on the last
  state text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'offered', 'taken', 'declined', 'lapsed', 'left', 'passed')),
  changed_at timestamptz NOT NULL,
  -- When it was last looked for, and where the journal stood then: it is not looked for again until something happened since
  -- that can have freed something.
  looked_at timestamptz,
  looked_seq bigint,
  hindrance text, -- what was in the way then
  hindrance_text text,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, joined_by) REFERENCES member,
  CONSTRAINT waiting_for_hours_or_days CHECK (num_nonnulls(hours, days) = 1),
  CONSTRAINT waiting_window_ends_after_it_begins CHECK (window_until > window_from),
  CONSTRAINT waiting_looked_at_some_point CHECK ((looked_at IS NULL) = (looked_seq IS NULL)),
  CONSTRAINT waiting_hindrance_is_told CHECK ((hindrance IS NULL) = (hindrance_text IS NULL))
);
CREATE INDEX waiting_entry_open ON waiting_entry (club_id, joined_at, id) WHERE state IN ('waiting', 'offered');
CREATE INDEX waiting_entry_of_member ON waiting_entry (club_id, member_id, id DESC);
CREATE INDEX waiting_entry_in_state ON waiting_entry (club_id, state, id DESC);
SELECT fence('waiting_entry');
GRANT INSERT, UPDATE (state, changed_at, looked_at, looked_seq, hindrance, hindrance_text, version) ON waiting_entry TO pinwright_app;

-- What is needed together: a tool, any tool of a model, or a kit.
CREATE TABLE waiting_line (
  club_id uuid NOT NULL,
  entry_id uuid NOT NULL,
  ordinal smallint NOT NULL CHECK (ordinal BETWEEN 0 AND 19),
  tool_id uuid,
  model_id uuid,
  kit_id uuid,
  PRIMARY KEY (club_id, entry_id, ordinal),
  FOREIGN KEY (club_id, entry_id) REFERENCES waiting_entry,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  FOREIGN KEY (club_id, kit_id) REFERENCES kit,
  CONSTRAINT waiting_line_is_one_thing CHECK (num_nonnulls(tool_id, model_id, kit_id) = 1)
);
CREATE INDEX waiting_line_of_tool ON waiting_line (club_id, tool_id, entry_id DESC) WHERE tool_id IS NOT NULL;
CREATE INDEX waiting_line_of_model ON waiting_line (club_id, model_id, entry_id DESC) WHERE model_id IS NOT NULL;
SELECT fence('waiting_line');
GRANT INSERT ON waiting_line TO pinwright_app;

-- What was offered. A time that was offered and not taken is not offered to the same entry again.
CREATE TABLE waiting_offer (
  club_id uuid NOT NULL,
  entry_id uuid NOT NULL,
  reservation_id uuid NOT NULL,
  period tstzrange NOT NULL,
  offered_at timestamptz NOT NULL,
  offer_until timestamptz NOT NULL,
  outcome text NOT NULL DEFAULT 'open' CHECK (outcome IN ('open', 'accepted', 'declined', 'lapsed', 'withdrawn')),
  ended_at timestamptz,
  PRIMARY KEY (club_id, entry_id, reservation_id),
  FOREIGN KEY (club_id, entry_id) REFERENCES waiting_entry,
  FOREIGN KEY (club_id, reservation_id) REFERENCES reservation,
  CONSTRAINT waiting_offer_once UNIQUE (club_id, reservation_id),
  CONSTRAINT waiting_offer_ends_as_something CHECK ((outcome = 'open') = (ended_at IS NULL))
);
CREATE UNIQUE INDEX waiting_offer_open ON waiting_offer (club_id, entry_id) WHERE outcome = 'open'; -- one at a time
SELECT fence('waiting_offer');
GRANT INSERT, UPDATE (outcome, ended_at) ON waiting_offer TO pinwright_app;
