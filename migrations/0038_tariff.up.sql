-- What lending costs: the club's rules and each model's costs in editions that stay, quotes before a loan and what was charged
-- after it. Nothing of it is edited: a charge that was wrong is corrected by one that names it, as the books' entries are reversed.
SET lock_timeout = '1s';

CREATE TABLE charge_rule (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  number bigint NOT NULL CHECK (number > 0), -- 1, 2, 3 … of the club; of those that are valid on a day the greatest counts
  valid_from date NOT NULL,
  late_minor bigint NOT NULL CHECK (late_minor >= 0), -- a day, for one tool
  late_most_minor bigint CHECK (late_most_minor >= 0), -- for one loan; none: no limit
  late_grace_days smallint NOT NULL CHECK (late_grace_days BETWEEN 0 AND 30),
  least_minor bigint NOT NULL CHECK (least_minor >= 0), -- for one loan
  consumables jsonb NOT NULL CHECK (jsonb_typeof(consumables) = 'object'), -- minor units for a unit of use, by kind of tool
  exempt text[] NOT NULL CHECK (exempt <@ '{guests,tool_keepers,officers,treasurers}'), -- who pays for damage only
  note text NOT NULL DEFAULT '' CHECK (length(note) <= 500),
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT charge_rule_edition UNIQUE (club_id, number),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('charge_rule');
GRANT INSERT ON charge_rule TO pinwright_app;

CREATE TABLE tool_cost (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  model_id uuid NOT NULL,
  number bigint NOT NULL CHECK (number > 0), -- of the model, as above
  valid_from date NOT NULL,
  cost_minor bigint NOT NULL CHECK (cost_minor >= 0),
  sharpenings smallint NOT NULL CHECK (sharpenings BETWEEN 0 AND 1000),
  sharpening_minor bigint NOT NULL CHECK (sharpening_minor >= 0), -- each
  residual_minor bigint NOT NULL CHECK (residual_minor >= 0),
  life integer NOT NULL CHECK (life BETWEEN 1 AND 10000000), -- in units
  unit text NOT NULL CHECK (unit IN ('holes', 'pulls', 'pressings', 'measurements', 'other')), -- as of uses
  defaults text[] NOT NULL, -- which of these the club left to what is usual
  note text NOT NULL DEFAULT '' CHECK (length(note) <= 500),
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT tool_cost_edition UNIQUE (club_id, model_id, number),
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT tool_cost_has_a_value CHECK (residual_minor <= cost_minor + sharpenings * sharpening_minor)
);
SELECT fence('tool_cost');
GRANT INSERT ON tool_cost TO pinwright_app;

CREATE TABLE quote (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  member_id uuid NOT NULL, -- for whom
  reservation_id uuid,
  currency char(3) NOT NULL,
  by_member uuid NOT NULL,
  quoted_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, by_member) REFERENCES member,
  FOREIGN KEY (club_id, reservation_id) REFERENCES reservation
);
CREATE INDEX quote_of_member ON quote (club_id, member_id, id DESC);
CREATE INDEX quote_of_reservation ON quote (club_id, reservation_id, id DESC) WHERE reservation_id IS NOT NULL;
SELECT fence('quote');
GRANT INSERT ON quote TO pinwright_app;

CREATE TABLE quote_line (
  club_id uuid NOT NULL,
  quote_id uuid NOT NULL,
  line smallint NOT NULL CHECK (line >= 0), -- of a reservation's quote: the reservation's
  tool_id uuid, -- none: any of the model
  model_id uuid NOT NULL,
  period tstzrange NOT NULL CHECK (NOT isempty(period)),
  rule_id uuid, -- on which editions it rests; none: what is usual
  cost_id uuid,
  units integer NOT NULL CHECK (units BETWEEN 0 AND 10000), -- expected
  use_minor bigint NOT NULL CHECK (use_minor >= 0), -- the flat charge and wear
  consumables_minor bigint NOT NULL CHECK (consumables_minor >= 0),
  other_minor bigint NOT NULL CHECK (other_minor >= 0), -- up to the least charge
  deposit_minor bigint CHECK (deposit_minor >= 0),
  reckoned jsonb NOT NULL, -- every number that went into it
  PRIMARY KEY (club_id, quote_id, line),
  FOREIGN KEY (club_id, quote_id) REFERENCES quote,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  FOREIGN KEY (club_id, rule_id) REFERENCES charge_rule,
  FOREIGN KEY (club_id, cost_id) REFERENCES tool_cost
);
SELECT fence('quote_line');
GRANT INSERT ON quote_line TO pinwright_app;

CREATE TABLE loan_charge (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  loan_id uuid NOT NULL,
  tool_id uuid NOT NULL,
  member_id uuid NOT NULL,
  lent_at timestamptz NOT NULL, -- when the loan began, which tells the tool's life
  corrects uuid, -- the charge of the same loan that this one takes the place of
  quote_id uuid, -- that it is compared with
  quote_line smallint,
  rule_id uuid, -- on which editions it rests; none: what is usual
  cost_id uuid,
  cost_number bigint NOT NULL CHECK (cost_number >= 0), -- 0: what is usual
  currency char(3) NOT NULL,
  units integer NOT NULL CHECK (units >= 0), -- that wear was charged for
  flat_minor bigint NOT NULL CHECK (flat_minor >= 0),
  wear_minor bigint NOT NULL CHECK (wear_minor >= 0),
  consumables_minor bigint NOT NULL CHECK (consumables_minor >= 0),
  other_minor bigint NOT NULL CHECK (other_minor >= 0), -- up to the least charge
  late_minor bigint NOT NULL CHECK (late_minor >= 0),
  damage_minor bigint NOT NULL CHECK (damage_minor >= 0),
  damage_note text NOT NULL DEFAULT '' CHECK (length(damage_note) <= 500),
  note text NOT NULL DEFAULT '' CHECK (length(note) <= 500), -- why it was corrected
  reckoned jsonb NOT NULL, -- every number that went into it
  booked_on date NOT NULL,
  by_member uuid NOT NULL,
  charged_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT loan_charge_of_its_loan UNIQUE (club_id, loan_id, id),
  FOREIGN KEY (club_id, loan_id, tool_id) REFERENCES loan (club_id, id, tool_id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, by_member) REFERENCES member,
  FOREIGN KEY (club_id, loan_id, corrects) REFERENCES loan_charge (club_id, loan_id, id),
  FOREIGN KEY (club_id, quote_id, quote_line) REFERENCES quote_line (club_id, quote_id, line),
  FOREIGN KEY (club_id, rule_id) REFERENCES charge_rule,
  FOREIGN KEY (club_id, cost_id) REFERENCES tool_cost,
  CONSTRAINT loan_charge_corrected_once UNIQUE (club_id, corrects)
);
CREATE UNIQUE INDEX loan_charged_once ON loan_charge (club_id, loan_id) WHERE corrects IS NULL;
CREATE INDEX loan_charge_of_tool ON loan_charge (club_id, tool_id, lent_at);
CREATE INDEX loan_charge_of_member ON loan_charge (club_id, member_id, id DESC);
SELECT fence('loan_charge');
GRANT INSERT ON loan_charge TO pinwright_app;

-- Under which entries of the books a charge stands, one for each reason that comes to something.
CREATE TABLE loan_charge_entry (
  club_id uuid NOT NULL,
  charge_id uuid NOT NULL,
  reason text NOT NULL CHECK (reason IN ('use', 'consumables', 'other', 'late', 'damage')),
  entry_id uuid NOT NULL,
  PRIMARY KEY (club_id, charge_id, reason),
  CONSTRAINT loan_charge_entry_is_of_one UNIQUE (club_id, entry_id),
  FOREIGN KEY (club_id, charge_id) REFERENCES loan_charge,
  FOREIGN KEY (club_id, entry_id) REFERENCES entry
);
SELECT fence('loan_charge_entry');
GRANT INSERT ON loan_charge_entry TO pinwright_app;

-- Which loans are to be charged is asked of those that ended of late.
CREATE INDEX loan_ended ON loan (club_id, ended_at DESC, id DESC) WHERE ended <> 'undone';
