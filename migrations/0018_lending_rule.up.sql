-- By which rules the club lends. A club without a row has the defaults, which every column states.
SET lock_timeout = '1s';

CREATE TABLE lending_rule (
  club_id uuid PRIMARY KEY REFERENCES club,
  longest_loan_days integer NOT NULL DEFAULT 90 CHECK (longest_loan_days BETWEEN 1 AND 90),
  days_ahead integer NOT NULL DEFAULT 400 CHECK (days_ahead BETWEEN 1 AND 400),
  at_once integer NOT NULL DEFAULT 40 CHECK (at_once BETWEEN 1 AND 100000), -- tools reserved or out to one member
  approval_from_minor bigint CHECK (approval_from_minor >= 0), -- tools worth as much need an approval; none: no tool does
  -- Fair share: of the tool days of one model in any so many days, one member gets at most this part. None: no such rule.
  fair_share_percent integer CHECK (fair_share_percent BETWEEN 1 AND 100),
  fair_share_days integer NOT NULL DEFAULT 28 CHECK (fair_share_days BETWEEN 1 AND 400),
  fair_share_free_hours integer NOT NULL DEFAULT 48 CHECK (fair_share_free_hours BETWEEN 0 AND 720), -- what begins within them is anybody's
  deposit_at_handout boolean NOT NULL DEFAULT false, -- a tool with a deposit goes out only when it was taken
  late_borrowers_wait boolean NOT NULL DEFAULT false, -- who has a tool late reserves nothing new
  travel_minutes integer NOT NULL DEFAULT 60 CHECK (travel_minutes BETWEEN 0 AND 20160), -- between garages that no row of travel_time tells of
  offer_hours integer NOT NULL DEFAULT 24 CHECK (offer_hours BETWEEN 1 AND 336), -- how long who waits has to answer an offer
  walk_in_days integer NOT NULL DEFAULT 3 CHECK (walk_in_days BETWEEN 1 AND 90), -- how long a tool goes out for that nobody reserved
  version bigint NOT NULL DEFAULT 1
);
SELECT fence('lending_rule');
GRANT INSERT, UPDATE ON lending_rule TO pinwright_app;

ALTER TABLE tool_model
  ADD COLUMN turnaround_hours integer CHECK (turnaround_hours BETWEEN 0 AND 240), -- none: as the club has it
  ADD COLUMN value_minor bigint CHECK (value_minor >= 0), -- of one tool of it, where the tool says nothing else
  ADD COLUMN deposit_minor bigint CHECK (deposit_minor >= 0),
  ADD COLUMN parts integer NOT NULL DEFAULT 1 CHECK (parts BETWEEN 1 AND 1000), -- loose pieces to count when it comes back
  ADD COLUMN certificate_needed boolean NOT NULL DEFAULT false, -- only for members who were shown how, by certificate
  ADD COLUMN approval_needed boolean NOT NULL DEFAULT false;
GRANT UPDATE (turnaround_hours, value_minor, deposit_minor, parts, certificate_needed, approval_needed) ON tool_model TO pinwright_app;

-- Who may use what is dangerous: shown by somebody, until a day.
CREATE TABLE certificate (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  model_id uuid NOT NULL,
  certified_by uuid NOT NULL,
  certified_at timestamptz NOT NULL,
  expires_on date,
  withdrawn_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  FOREIGN KEY (club_id, certified_by) REFERENCES member
);
CREATE INDEX certificate_of_member ON certificate (club_id, member_id, model_id) WHERE withdrawn_at IS NULL;
SELECT fence('certificate');
GRANT INSERT, UPDATE (withdrawn_at, version) ON certificate TO pinwright_app;
