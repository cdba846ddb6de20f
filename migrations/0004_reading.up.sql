-- Observations, exactly once and never edited: primary key and fingerprint of the canonical row. May be partitioned by
-- hash of club_id, never by time (the key would need taken_at).
SET lock_timeout = '1s';

CREATE TABLE reading (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  feature_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('measured', 'go', 'no_go', 'starts')),
  size_nm bigint NOT NULL CHECK (size_nm > 0), -- measured value, or the gauge's size
  entered numeric NOT NULL, -- value and unit exactly as entered
  entered_unit text NOT NULL CHECK (entered_unit IN ('mm', 'um', 'in', 'thou')),
  method text, -- the plain `with`
  instrument_id uuid, -- or gauge
  station text CHECK (station IN ('mouth_a', 'middle', 'mouth_b')),
  direction_degrees double precision CHECK (direction_degrees BETWEEN 0 AND 360),
  end_tried text CHECK (end_tried IN ('a', 'b', 'both')),
  part_length boolean,
  deburred boolean,
  stage text NOT NULL CHECK (stage IN ('as_found', 'cleaned', 'reamed', 'assembled')),
  surface text NOT NULL CHECK (surface IN ('bright', 'rusty', 'pitted', 'scored', 'unknown')),
  temperature_celsius double precision CHECK (temperature_celsius BETWEEN -60 AND 400),
  taken_at timestamptz NOT NULL,
  received_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  doubtful text, -- a code: kept, but out of decisions until confirmed by a replacement
  assumed jsonb NOT NULL DEFAULT '[]',
  fingerprint bytea NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, feature_id) REFERENCES feature,
  FOREIGN KEY (club_id, instrument_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX reading_of_feature ON reading (club_id, feature_id, taken_at DESC, id DESC);
CREATE INDEX reading_by_time ON reading (club_id, taken_at DESC, id DESC);
CREATE INDEX reading_by_instrument ON reading (club_id, instrument_id, taken_at DESC, id DESC) WHERE instrument_id IS NOT NULL;
SELECT fence('reading');
GRANT INSERT ON reading TO pinwright_app;

CREATE TABLE reading_void (
  club_id uuid NOT NULL,
  reading_id uuid NOT NULL,
  reason text NOT NULL,
  at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  replaced_by uuid,
  PRIMARY KEY (club_id, reading_id), -- voided once
  FOREIGN KEY (club_id, reading_id) REFERENCES reading,
  FOREIGN KEY (club_id, replaced_by) REFERENCES reading (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('reading_void');
GRANT INSERT ON reading_void TO pinwright_app;
