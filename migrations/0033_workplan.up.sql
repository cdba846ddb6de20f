-- Plans of repairs: steps laid into the days that a member has free, kept as they were made, and what was reserved for them.
SET lock_timeout = '1s';

CREATE TABLE workplan (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  repair_id uuid NOT NULL,
  number integer NOT NULL CHECK (number > 0), -- of the repair's plans; the newest counts
  made_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  content jsonb NOT NULL CHECK (jsonb_typeof(content) = 'object'),
  PRIMARY KEY (club_id, id),
  CONSTRAINT workplan_number UNIQUE (club_id, repair_id, number),
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('workplan');
GRANT INSERT ON workplan TO pinwright_app; -- history

-- A reservation is made for one plan at most; what becomes of it is the reservation's own affair.
CREATE TABLE workplan_reservation (
  club_id uuid NOT NULL,
  workplan_id uuid NOT NULL,
  reservation_id uuid NOT NULL,
  PRIMARY KEY (club_id, reservation_id),
  FOREIGN KEY (club_id, workplan_id) REFERENCES workplan,
  FOREIGN KEY (club_id, reservation_id) REFERENCES reservation
);
CREATE INDEX workplan_reservation_of_plan ON workplan_reservation (club_id, workplan_id, reservation_id);
SELECT fence('workplan_reservation');
GRANT INSERT ON workplan_reservation TO pinwright_app; -- history
