-- Repairs: a set of joints of one vehicle that are taken through the steps of an edition of a procedure. Every act locks the
-- repair's row first, then writes its steps and timers, then the journal's head.
SET lock_timeout = '1s';

CREATE TABLE repair (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  number integer NOT NULL CHECK (number > 0), -- shown as R1, R2 …
  vehicle_id uuid NOT NULL,
  procedure_id uuid NOT NULL,
  edition integer NOT NULL,
  garage_id uuid NOT NULL,
  lead_id uuid NOT NULL,
  state text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'signed', 'abandoned')),
  safety boolean NOT NULL, -- one of its joints steers, brakes, carries the suspension or a seat
  recommendation_id uuid,
  began_at timestamptz NOT NULL,
  note text NOT NULL DEFAULT '',
  signed_at timestamptz,
  signed_by uuid,
  seconded_at timestamptz, -- of a safety joint, another member's
  seconded_by uuid,
  abandoned_at timestamptz,
  abandoned_by uuid,
  abandon_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT repair_number UNIQUE (club_id, number),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, procedure_id, edition) REFERENCES procedure_edition (club_id, procedure_id, edition),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, lead_id) REFERENCES member,
  FOREIGN KEY (club_id, recommendation_id) REFERENCES recommendation,
  FOREIGN KEY (club_id, signed_by) REFERENCES member,
  FOREIGN KEY (club_id, seconded_by) REFERENCES member,
  FOREIGN KEY (club_id, abandoned_by) REFERENCES member,
  CONSTRAINT repair_signed_by_somebody CHECK ((signed_at IS NULL) = (signed_by IS NULL) AND (seconded_at IS NULL) = (seconded_by IS NULL)),
  CONSTRAINT repair_seconded_by_another CHECK (seconded_by IS NULL OR (signed_by IS NOT NULL AND seconded_by <> signed_by)),
  CONSTRAINT repair_signed_when_it_is CHECK (state <> 'signed' OR (signed_by IS NOT NULL AND (NOT safety OR seconded_by IS NOT NULL))),
  CONSTRAINT repair_abandoned_when_it_is CHECK ((state = 'abandoned') = (abandoned_at IS NOT NULL) AND (abandoned_at IS NULL) = (abandoned_by IS NULL))
);
CREATE INDEX repair_of_vehicle ON repair (club_id, vehicle_id, id DESC);
CREATE INDEX repair_in_state ON repair (club_id, state, id DESC);
CREATE INDEX repair_of_garage ON repair (club_id, garage_id, id DESC);
CREATE INDEX repair_open_at ON repair (club_id, garage_id, id) WHERE state = 'open';
SELECT fence('repair');
GRANT INSERT, UPDATE (garage_id, lead_id, state, recommendation_id, note, signed_at, signed_by, seconded_at, seconded_by, abandoned_at, abandoned_by, abandon_reason, version) ON repair TO pinwright_app;

CREATE TABLE repair_joint (
  club_id uuid NOT NULL,
  repair_id uuid NOT NULL,
  joint_id uuid NOT NULL,
  open boolean NOT NULL DEFAULT true, -- its repair is, as a trigger keeps it
  PRIMARY KEY (club_id, repair_id, joint_id),
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, joint_id) REFERENCES joint
);
CREATE UNIQUE INDEX repair_joint_once ON repair_joint (club_id, joint_id) WHERE open; -- in one open repair at most
CREATE INDEX repair_joint_of_joint ON repair_joint (club_id, joint_id, repair_id DESC);
SELECT fence('repair_joint');
GRANT INSERT, UPDATE (open) ON repair_joint TO pinwright_app;

CREATE FUNCTION keep_joints_open() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  UPDATE repair_joint SET open = (NEW.state = 'open') WHERE club_id = NEW.club_id AND repair_id = NEW.id;
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION keep_joints_open() FROM PUBLIC;
COMMENT ON FUNCTION keep_joints_open IS 'Frees the joints of a repair that is over';
CREATE TRIGGER keep_joints_open AFTER UPDATE OF state ON repair FOR EACH ROW WHEN (NEW.state <> OLD.state) EXECUTE FUNCTION keep_joints_open();

CREATE TABLE repair_step (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  repair_id uuid NOT NULL,
  ordinal smallint NOT NULL CHECK (ordinal >= 0), -- of its step in the procedure
  key text NOT NULL,
  joint_id uuid, -- null: of the job as a whole
  state text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'running', 'waiting', 'done', 'left_out')),
  rounds_done smallint NOT NULL DEFAULT 0 CHECK (rounds_done >= 0),
  began_at timestamptz,
  began_by uuid,
  done_at timestamptz, -- or left out
  done_by uuid,
  left_out text CHECK (left_out IN ('by_member', 'by_recommendation')),
  note text NOT NULL DEFAULT '', -- of who finished or left it out
  recorded_at timestamptz, -- of its newest change; what happened may have been earlier
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT repair_step_once UNIQUE NULLS NOT DISTINCT (club_id, repair_id, key, joint_id),
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, repair_id, joint_id) REFERENCES repair_joint,
  FOREIGN KEY (club_id, began_by) REFERENCES member,
  FOREIGN KEY (club_id, done_by) REFERENCES member,
  CONSTRAINT repair_step_began CHECK (state NOT IN ('running', 'waiting', 'done') OR began_at IS NOT NULL),
  CONSTRAINT repair_step_ended CHECK ((state IN ('done', 'left_out')) = (done_at IS NOT NULL)),
  CONSTRAINT repair_step_left_out CHECK ((state = 'left_out') = (left_out IS NOT NULL)),
  CONSTRAINT repair_step_in_order CHECK (state <> 'done' OR done_at >= began_at)
);
SELECT fence('repair_step');
GRANT INSERT, UPDATE (state, rounds_done, began_at, began_by, done_at, done_by, left_out, note, recorded_at, version) ON repair_step TO pinwright_app;

CREATE TABLE repair_timer (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  repair_id uuid NOT NULL,
  step_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('creep', 'dwell', 'drying', 'cooling', 'curing', 'repeat')),
  round smallint NOT NULL CHECK (round > 0),
  began_at timestamptz NOT NULL,
  due_at timestamptz NOT NULL,
  most_at timestamptz, -- from which on it overstays
  rung_at timestamptz,
  overstayed_at timestamptz,
  stopped_at timestamptz,
  stopped_by uuid,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, step_id) REFERENCES repair_step,
  FOREIGN KEY (club_id, stopped_by) REFERENCES member,
  CONSTRAINT repair_timer_due_after_it_began CHECK (due_at >= began_at),
  CONSTRAINT repair_timer_overstays_after_it_was_due CHECK (most_at >= due_at),
  CONSTRAINT repair_timer_stopped_after_it_began CHECK (stopped_at >= began_at),
  CONSTRAINT repair_timer_rings_first CHECK (overstayed_at IS NULL OR rung_at IS NOT NULL)
);
CREATE UNIQUE INDEX repair_timer_running ON repair_timer (club_id, step_id) WHERE stopped_at IS NULL; -- one at a time
CREATE INDEX repair_timer_of_repair ON repair_timer (club_id, repair_id, id);
CREATE INDEX repair_timer_to_ring ON repair_timer (club_id, due_at) WHERE stopped_at IS NULL AND rung_at IS NULL;
CREATE INDEX repair_timer_to_warn ON repair_timer (club_id, most_at) WHERE stopped_at IS NULL AND overstayed_at IS NULL AND most_at IS NOT NULL;
SELECT fence('repair_timer');
GRANT INSERT, UPDATE (rung_at, overstayed_at, stopped_at, stopped_by) ON repair_timer TO pinwright_app;

-- What was done to which step by whom, in the order of recording: a step that is reopened begins anew, its acts stay.
CREATE TABLE repair_act (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  repair_id uuid NOT NULL,
  step_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('begin', 'finish', 'leave_out', 'reopen', 'stop_timer')),
  round smallint CHECK (round > 0), -- of a begin
  occurred_at timestamptz NOT NULL,
  recorded_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  note text NOT NULL DEFAULT '',
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, step_id) REFERENCES repair_step,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX repair_act_of_repair ON repair_act (club_id, repair_id, id);
SELECT fence('repair_act');
GRANT INSERT ON repair_act TO pinwright_app; -- history
