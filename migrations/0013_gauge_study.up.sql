-- Gauge studies: what a tool that measures adds to a reading by itself and by who holds it. A study is history like a
-- calibration. The readings stand as posted, people in them as letters; beside them what an uncertainty takes from the study,
-- as the engine of that day worked it out.
SET lock_timeout = '1s';

CREATE TABLE gauge_study (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  tool_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('gauge', 'attribute')),
  studied_on date NOT NULL,
  posted jsonb NOT NULL,
  engine text NOT NULL,
  repeatability_um double precision CHECK (repeatability_um >= 0), -- one standard deviation, like all of them
  repeatability_dof double precision CHECK (repeatability_dof > 0),
  reproducibility_um double precision CHECK (reproducibility_um >= 0), -- NULL with one person
  reproducibility_dof double precision CHECK (reproducibility_dof > 0),
  feel_um double precision CHECK (feel_um > 0), -- of a gauge that goes or does not; NULL where the study cannot tell
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT gauge_study_of_its_kind CHECK ((kind = 'gauge') = (num_nonnulls(repeatability_um, repeatability_dof) = 2)
    AND (kind = 'attribute' OR feel_um IS NULL)),
  CONSTRAINT gauge_study_reproducibility CHECK (reproducibility_dof IS NULL OR reproducibility_um > 0)
);
CREATE INDEX gauge_study_of_tool ON gauge_study (club_id, tool_id, studied_on DESC, id DESC);
SELECT fence('gauge_study');
GRANT INSERT ON gauge_study TO pinwright_app;
