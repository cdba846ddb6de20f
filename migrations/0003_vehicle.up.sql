-- What is repaired: pin series, joint templates, vehicles, their joints and the features of those.
SET lock_timeout = '1s';

CREATE TABLE pin_series (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  supplier text NOT NULL DEFAULT '',
  delivery_days integer[] NOT NULL DEFAULT '{}',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT pin_series_code UNIQUE (club_id, code)
);
SELECT fence('pin_series');
GRANT INSERT ON pin_series TO pinwright_app;

CREATE TABLE pin_step (
  club_id uuid NOT NULL,
  series_id uuid NOT NULL,
  ordinal smallint NOT NULL, -- 0 is the standard pin, each further one is larger
  code text NOT NULL,
  pin_nm bigint NOT NULL CHECK (pin_nm > 0),
  tolerance_lower_nm bigint NOT NULL,
  tolerance_upper_nm bigint NOT NULL,
  reamer_nm bigint CHECK (reamer_nm > 0),
  price_minor bigint CHECK (price_minor >= 0),
  lead_days integer CHECK (lead_days BETWEEN 0 AND 365),
  PRIMARY KEY (club_id, series_id, ordinal),
  CONSTRAINT pin_step_code UNIQUE (club_id, series_id, code),
  FOREIGN KEY (club_id, series_id) REFERENCES pin_series,
  CONSTRAINT pin_step_tolerance CHECK (tolerance_lower_nm <= tolerance_upper_nm)
);
SELECT fence('pin_step');
GRANT INSERT ON pin_step TO pinwright_app;

CREATE TABLE joint_template (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  guidance text NOT NULL DEFAULT 'floating' CHECK (guidance IN ('floating', 'held_to_axis')),
  safety_critical boolean NOT NULL DEFAULT false,
  cautions text[] NOT NULL DEFAULT '{}',
  clearance_min_nm bigint,
  clearance_max_nm bigint,
  fit text,
  thousandth boolean NOT NULL DEFAULT false,
  bell_mouth_nm bigint CHECK (bell_mouth_nm >= 0), -- means of form error to expect; null: the engine's default
  ovality_nm bigint CHECK (ovality_nm >= 0),
  surface_nm bigint CHECK (surface_nm >= 0),
  pin_series_id uuid,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT joint_template_code UNIQUE (club_id, code),
  FOREIGN KEY (club_id, pin_series_id) REFERENCES pin_series,
  CONSTRAINT joint_template_clearance CHECK ((clearance_min_nm IS NULL) = (clearance_max_nm IS NULL) AND clearance_min_nm <= clearance_max_nm),
  CONSTRAINT joint_template_one_target CHECK (num_nonnulls(clearance_min_nm, fit) + thousandth::integer <= 1)
);
SELECT fence('joint_template');
GRANT INSERT ON joint_template TO pinwright_app;

CREATE TABLE template_feature (
  club_id uuid NOT NULL,
  template_id uuid NOT NULL,
  ordinal smallint NOT NULL,
  code text NOT NULL,
  shape text NOT NULL CHECK (shape IN ('bore', 'pin')),
  duty text NOT NULL CHECK (duty IN ('running', 'held')),
  nominal_nm bigint CHECK (nominal_nm > 0),
  length_nm bigint CHECK (length_nm > 0),
  usual boolean NOT NULL DEFAULT false, -- meant by a reading that names only the joint
  PRIMARY KEY (club_id, template_id, ordinal),
  CONSTRAINT template_feature_code UNIQUE (club_id, template_id, code),
  FOREIGN KEY (club_id, template_id) REFERENCES joint_template
);
CREATE UNIQUE INDEX template_feature_one_usual ON template_feature (club_id, template_id) WHERE usual;
SELECT fence('template_feature');
GRANT INSERT ON template_feature TO pinwright_app;

CREATE TABLE vehicle (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  chassis_number text,
  chassis_kind text CHECK (chassis_kind IN ('free_text', 'vin')),
  built_year integer CHECK (built_year BETWEEN 1880 AND 2100),
  garage_id uuid,
  member_id uuid NOT NULL,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT vehicle_code UNIQUE (club_id, code),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT vehicle_chassis CHECK ((chassis_number IS NULL) = (chassis_kind IS NULL))
);
SELECT fence('vehicle');
GRANT INSERT, UPDATE ON vehicle TO pinwright_app;

CREATE TABLE joint (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  vehicle_id uuid NOT NULL,
  position text NOT NULL,
  template_id uuid NOT NULL,
  pin_series_id uuid, -- null: the template's; so is the target when none is set here
  clearance_min_nm bigint,
  clearance_max_nm bigint,
  fit text,
  thousandth boolean NOT NULL DEFAULT false,
  facts jsonb NOT NULL DEFAULT '{}', -- what speaks against reaming, as seen on the part
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT joint_position UNIQUE (club_id, vehicle_id, position),
  FOREIGN KEY (club_id, vehicle_id) REFERENCES vehicle,
  FOREIGN KEY (club_id, template_id) REFERENCES joint_template,
  FOREIGN KEY (club_id, pin_series_id) REFERENCES pin_series,
  CONSTRAINT joint_clearance CHECK ((clearance_min_nm IS NULL) = (clearance_max_nm IS NULL) AND clearance_min_nm <= clearance_max_nm),
  CONSTRAINT joint_one_target CHECK (num_nonnulls(clearance_min_nm, fit) + thousandth::integer <= 1)
);
CREATE INDEX joint_by_position ON joint (club_id, position); -- a position alone names a joint when only one vehicle has it
SELECT fence('joint');
GRANT INSERT, UPDATE ON joint TO pinwright_app;

CREATE TABLE feature (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  joint_id uuid NOT NULL,
  ordinal smallint NOT NULL,
  code text NOT NULL,
  shape text NOT NULL CHECK (shape IN ('bore', 'pin')),
  duty text NOT NULL CHECK (duty IN ('running', 'held')),
  nominal_nm bigint CHECK (nominal_nm > 0),
  length_nm bigint CHECK (length_nm > 0),
  usual boolean NOT NULL DEFAULT false,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT feature_code UNIQUE (club_id, joint_id, code),
  FOREIGN KEY (club_id, joint_id) REFERENCES joint
);
CREATE UNIQUE INDEX feature_one_usual ON feature (club_id, joint_id) WHERE usual;
SELECT fence('feature');
GRANT INSERT, UPDATE (nominal_nm, length_nm, version) ON feature TO pinwright_app;
