-- What happens to joints between readings, and how far vehicles have gone: both history, never changed, only voided.
SET lock_timeout = '1s';

CREATE TABLE wear_event (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL, -- made by the client where it likes
  joint_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('lubricated', 'repaired', 'other')),
  occurred_at timestamptz NOT NULL,
  note text NOT NULL DEFAULT '',
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, joint_id) REFERENCES joint,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX wear_event_of_joint ON wear_event (club_id, joint_id, occurred_at DESC, id DESC);
SELECT fence('wear_event');
GRANT INSERT ON wear_event TO pinwright_app;

CREATE TABLE wear_event_void (
  club_id uuid NOT NULL,
  wear_event_id uuid NOT NULL,
  reason text NOT NULL,
  at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  PRIMARY KEY (club_id, wear_event_id), -- voided once
  FOREIGN KEY (club_id, wear_event_id) REFERENCES wear_event,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('wear_event_void');
GRANT INSERT ON wear_event_void TO pinwright_app;

-- What an odometer showed. Where it was replaced, set back or ran past its last digit since the row before, replaced says
-- so, and previous what it showed last, where anybody knows.
CREATE TABLE distance (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  shown double precision NOT NULL CHECK (shown >= 0 AND shown < 1e8),
  unit text NOT NULL CHECK (unit IN ('km', 'mi')), -- of both; 1 mi = 1.609344 km exactly
  taken_at timestamptz NOT NULL,
  replaced boolean NOT NULL DEFAULT false,
  previous double precision CHECK (previous >= 0 AND previous < 1e8),
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT distance_previous_of_replaced CHECK (replaced OR previous IS NULL)
);
CREATE INDEX distance_of_vehicle ON distance (club_id, vehicle_id, taken_at DESC, id DESC);
SELECT fence('distance');
GRANT INSERT ON distance TO pinwright_app;

CREATE TABLE distance_void (
  club_id uuid NOT NULL,
  distance_id uuid NOT NULL,
  reason text NOT NULL,
  at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  PRIMARY KEY (club_id, distance_id),
  FOREIGN KEY (club_id, distance_id) REFERENCES distance,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('distance_void');
GRANT INSERT ON distance_void TO pinwright_app;
