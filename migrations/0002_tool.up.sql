-- What the club lends: models with the sizes that matter, the single tools with their numbers, and their calibrations.
SET lock_timeout = '1s';

CREATE TABLE tool_model (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  kind text NOT NULL CHECK (kind IN ('reamer', 'puller', 'press', 'pin_gauge', 'plug_gauge', 'micrometer', 'inside_micrometer', 'caliper', 'bore_gauge', 'telescoping_gauge', 'drift', 'other')),
  size_nm bigint CHECK (size_nm > 0), -- reamer: cutting diameter; gauge: its size
  gauge_class text CHECK (gauge_class IN ('XXX', 'XX', 'X', 'Y', 'Z', 'ZZ')),
  gauge_sense text CHECK (gauge_sense IN ('plus', 'minus')),
  resolution_nm bigint CHECK (resolution_nm > 0),
  range_from_nm bigint CHECK (range_from_nm >= 0),
  range_to_nm bigint,
  charge_minor bigint CHECK (charge_minor >= 0),
  caution text NOT NULL DEFAULT '',
  entered jsonb NOT NULL DEFAULT '{}', -- each length as it was entered, beside its nanometres: {"size": "0.318 in"}
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT tool_model_code UNIQUE (club_id, code),
  CONSTRAINT tool_model_size_of_kind CHECK (size_nm IS NOT NULL OR kind NOT IN ('reamer', 'pin_gauge', 'plug_gauge')),
  CONSTRAINT tool_model_range CHECK (range_from_nm <= range_to_nm)
);
CREATE INDEX tool_model_of_kind ON tool_model (club_id, kind, code);
CREATE INDEX tool_model_kind_size ON tool_model (club_id, kind, size_nm);
SELECT fence('tool_model');
-- Kind and sizes stay as they are: readings and recommendations rest on them.
GRANT INSERT, UPDATE (code, name, charge_minor, caution, version) ON tool_model TO pinwright_app;

CREATE TABLE tool (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  number text NOT NULL,
  model_id uuid NOT NULL,
  garage_id uuid NOT NULL,
  state text NOT NULL DEFAULT 'in_service' CHECK (state IN ('in_service', 'quarantine', 'lost', 'retired')),
  note text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT tool_number UNIQUE (club_id, number),
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  FOREIGN KEY (club_id, garage_id) REFERENCES garage
);
CREATE INDEX tool_of_model ON tool (club_id, model_id, number);
CREATE INDEX tool_in_garage ON tool (club_id, garage_id, number);
SELECT fence('tool');
GRANT INSERT, UPDATE (number, garage_id, state, note, version) ON tool TO pinwright_app;

-- Calibrations are history: never changed, never deleted.
CREATE TABLE calibration (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  tool_id uuid NOT NULL,
  calibrated_on date NOT NULL,
  due_on date NOT NULL,
  expanded_nm bigint NOT NULL CHECK (expanded_nm > 0),
  coverage_factor double precision NOT NULL CHECK (coverage_factor BETWEEN 1 AND 4),
  deviation_nm bigint, -- what the instrument reads too much
  certificate text NOT NULL DEFAULT '',
  entered jsonb NOT NULL DEFAULT '{}', -- each length as it was entered, beside its nanometres
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT calibration_due_after_it_was_made CHECK (due_on >= calibrated_on)
);
CREATE INDEX calibration_of_tool ON calibration (club_id, tool_id, calibrated_on DESC, id DESC);
SELECT fence('calibration');
GRANT INSERT ON calibration TO pinwright_app;
