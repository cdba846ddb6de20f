-- Answers that can be cited: kept byte for byte, never changed.
SET lock_timeout = '1s';

CREATE TABLE recommendation (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  member_id uuid NOT NULL,
  created_at timestamptz NOT NULL,
  joint_key bytea NOT NULL CHECK (octet_length(joint_key) = 32), -- of the set of joints: a later one with the same key supersedes
  digest bytea NOT NULL CHECK (octet_length(digest) = 32), -- of all inputs
  body bytea NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX recommendation_of_joints ON recommendation (club_id, joint_key, id);
CREATE INDEX recommendation_of_vehicle ON recommendation (club_id, vehicle_id, id DESC);
SELECT fence('recommendation');
GRANT INSERT ON recommendation TO pinwright_app;

-- A recommendation in the units that it was not asked in: kept with it, since its sentences name lengths and nothing of
-- it is computed again.
CREATE TABLE recommendation_in_units (
  club_id uuid NOT NULL,
  recommendation_id uuid NOT NULL,
  units text NOT NULL CHECK (units IN ('mm', 'um', 'in', 'thou')),
  body bytea NOT NULL,
  PRIMARY KEY (club_id, recommendation_id, units),
  FOREIGN KEY (club_id, recommendation_id) REFERENCES recommendation
);
SELECT fence('recommendation_in_units');
GRANT INSERT ON recommendation_in_units TO pinwright_app;

ALTER TABLE reservation ADD CONSTRAINT reservation_recommendation FOREIGN KEY (club_id, recommendation_id) REFERENCES recommendation;
