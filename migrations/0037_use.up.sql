-- What tools did, what was found out about the size they cut, and when a life of theirs began anew. All of it is history:
-- what was recorded by mistake is voided with a reason and stays.
SET lock_timeout = '1s';

-- So that a use is of a loan of that very tool: the index by tool becomes a key that a foreign key can name.
DROP INDEX loan_of_tool;
ALTER TABLE loan ADD CONSTRAINT loan_of_tool UNIQUE (club_id, tool_id, id);

CREATE TABLE tool_use (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- made by the client where it likes
  tool_id uuid NOT NULL,
  loan_id uuid, -- null: on no loan, as a keeper may use a tool in the house
  member_id uuid NOT NULL, -- who used it
  repair_id uuid,
  joint_id uuid,
  feature_id uuid,
  used_at timestamptz NOT NULL,
  recorded_at timestamptz NOT NULL,
  recorded_by uuid NOT NULL,
  work text NOT NULL CHECK (work IN ('holes', 'pulls', 'pressings', 'measurements', 'other')),
  count integer NOT NULL CHECK (count BETWEEN 1 AND 10000), -- holes, pulls …
  size_before_nm bigint CHECK (size_before_nm > 0), -- of a hole, before
  depth_nm bigint CHECK (depth_nm > 0), -- of one hole
  material text CHECK (material IN ('low_carbon_steel', 'medium_carbon_steel', 'high_carbon_steel', 'free_cutting_steel', 'free_cutting_medium_carbon_steel', 'leaded_steel',
    'free_cutting_alloy_steel', 'alloy_steel', 'cast_steel', 'grey_cast_iron', 'malleable_iron', 'ductile_iron', 'free_cutting_stainless_steel', 'austenitic_stainless_steel',
    'martensitic_stainless_steel', 'wrought_aluminium', 'cast_aluminium', 'brass', 'bronze')), -- that was cut
  lubricant text CHECK (lubricant IN ('dry', 'cutting_oil', 'soluble_oil', 'sulphurised_oil', 'light_oil', 'paraffin', 'other')),
  guidance text CHECK (guidance IN ('floating', 'held_to_axis', 'pilot', 'jig', 'line_of_leaves')),
  note text NOT NULL DEFAULT '',
  voided_at timestamptz,
  voided_by uuid,
  void_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  CONSTRAINT tool_use_of_its_loan FOREIGN KEY (club_id, tool_id, loan_id) REFERENCES loan (club_id, tool_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, recorded_by) REFERENCES member,
  FOREIGN KEY (club_id, voided_by) REFERENCES member,
  FOREIGN KEY (club_id, repair_id) REFERENCES repair,
  FOREIGN KEY (club_id, joint_id) REFERENCES joint,
  CONSTRAINT tool_use_of_a_joint_of_the_repair FOREIGN KEY (club_id, repair_id, joint_id) REFERENCES repair_joint,
  FOREIGN KEY (club_id, feature_id) REFERENCES feature,
  CONSTRAINT tool_use_names_the_features_joint CHECK (feature_id IS NULL OR joint_id IS NOT NULL),
  CONSTRAINT tool_use_cuts_holes_only CHECK (work = 'holes' OR num_nonnulls(size_before_nm, depth_nm, material, lubricant, guidance) = 0),
  CONSTRAINT tool_use_voided_whole CHECK ((voided_at IS NULL) = (voided_by IS NULL) AND (voided_at IS NULL) = (void_reason = ''))
);
-- Told once: of one loan, one row that counts for each feature and kind of work.
CREATE UNIQUE INDEX tool_use_once ON tool_use (club_id, loan_id, feature_id, work) WHERE voided_at IS NULL AND loan_id IS NOT NULL AND feature_id IS NOT NULL;
CREATE INDEX tool_use_of_tool ON tool_use (club_id, tool_id, used_at DESC, id DESC);
CREATE INDEX tool_use_of_loan ON tool_use (club_id, loan_id, used_at, id) WHERE loan_id IS NOT NULL;
CREATE INDEX tool_use_of_member ON tool_use (club_id, member_id, used_at DESC, id DESC);
CREATE INDEX tool_use_of_repair ON tool_use (club_id, repair_id, used_at DESC, id DESC) WHERE repair_id IS NOT NULL;
CREATE INDEX tool_use_at ON tool_use (club_id, used_at, id);
SELECT fence('tool_use');
GRANT INSERT (club_id, id, tool_id, loan_id, member_id, repair_id, joint_id, feature_id, used_at, recorded_at, recorded_by, work, count, size_before_nm, depth_nm, material, lubricant, guidance, note),
  UPDATE (voided_at, voided_by, void_reason, version) ON tool_use TO pinwright_app;

-- What size a tool has: read off its edges, or off a hole that it cut to find out.
CREATE TABLE tool_check (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- made by the client where it likes
  tool_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('check_cut', 'cutter_reading')),
  size_nm bigint NOT NULL CHECK (size_nm > 0), -- of the hole, or over the edges
  u_nm bigint NOT NULL CHECK (u_nm > 0), -- standard uncertainty
  depth_nm bigint CHECK (depth_nm > 0), -- of the hole
  material text CHECK (material IN ('low_carbon_steel', 'medium_carbon_steel', 'high_carbon_steel', 'free_cutting_steel', 'free_cutting_medium_carbon_steel', 'leaded_steel',
    'free_cutting_alloy_steel', 'alloy_steel', 'cast_steel', 'grey_cast_iron', 'malleable_iron', 'ductile_iron', 'free_cutting_stainless_steel', 'austenitic_stainless_steel',
    'martensitic_stainless_steel', 'wrought_aluminium', 'cast_aluminium', 'brass', 'bronze')),
  lubricant text CHECK (lubricant IN ('dry', 'cutting_oil', 'soluble_oil', 'sulphurised_oil', 'light_oil', 'paraffin', 'other')),
  guidance text CHECK (guidance IN ('floating', 'held_to_axis', 'pilot', 'jig', 'line_of_leaves')),
  instrument_id uuid, -- that it was measured with
  checked_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  note text NOT NULL DEFAULT '',
  voided_at timestamptz,
  voided_by uuid,
  void_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, instrument_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, voided_by) REFERENCES member,
  CONSTRAINT tool_check_cuts_or_does_not CHECK (kind = 'check_cut' OR num_nonnulls(depth_nm, material, lubricant, guidance) = 0),
  CONSTRAINT tool_check_is_not_by_itself CHECK (instrument_id <> tool_id),
  CONSTRAINT tool_check_voided_whole CHECK ((voided_at IS NULL) = (voided_by IS NULL) AND (voided_at IS NULL) = (void_reason = ''))
);
CREATE INDEX tool_check_of_tool ON tool_check (club_id, tool_id, checked_at DESC, id DESC);
SELECT fence('tool_check');
GRANT INSERT (club_id, id, tool_id, kind, size_nm, u_nm, depth_nm, material, lubricant, guidance, instrument_id, checked_at, member_id, recorded_at, note),
  UPDATE (voided_at, voided_by, void_reason, version) ON tool_check TO pinwright_app;

-- From here on a tool is another one as far as wear goes: what it did before says nothing of what it will cut.
CREATE TABLE tool_renewal (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- made by the client where it likes
  tool_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('sharpened', 'adjusted', 'replaced')),
  done_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  note text NOT NULL DEFAULT '',
  voided_at timestamptz,
  voided_by uuid,
  void_reason text NOT NULL DEFAULT '',
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, voided_by) REFERENCES member,
  CONSTRAINT tool_renewal_voided_whole CHECK ((voided_at IS NULL) = (voided_by IS NULL) AND (voided_at IS NULL) = (void_reason = ''))
);
-- A tool is not renewed twice in one moment: the same told twice.
CREATE UNIQUE INDEX tool_renewal_once ON tool_renewal (club_id, tool_id, done_at) WHERE voided_at IS NULL;
CREATE INDEX tool_renewal_of_tool ON tool_renewal (club_id, tool_id, done_at DESC, id DESC);
SELECT fence('tool_renewal');
GRANT INSERT (club_id, id, tool_id, kind, done_at, member_id, recorded_at, note), UPDATE (voided_at, voided_by, void_reason, version) ON tool_renewal TO pinwright_app;

-- What a member did in repairs while they had a tool.
CREATE INDEX repair_step_done ON repair_step (club_id, done_by, done_at) WHERE state = 'done';

-- A tool that was used was out: its handout is not undone. Who records a use locks the loan, so that neither slips in beside
-- the other.
CREATE FUNCTION hold_loan_to_uses() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  IF EXISTS (SELECT FROM tool_use u WHERE u.club_id = NEW.club_id AND u.loan_id = NEW.id AND u.voided_at IS NULL) THEN
    RAISE check_violation USING CONSTRAINT = 'loan_undone_unused', MESSAGE = 'the tool was used on this loan';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION hold_loan_to_uses() FROM PUBLIC;
COMMENT ON FUNCTION hold_loan_to_uses IS 'Refuses to undo a loan on which a use that counts was recorded';
CREATE TRIGGER loan_undone_unused BEFORE UPDATE OF ended ON loan FOR EACH ROW WHEN (NEW.ended = 'undone') EXECUTE FUNCTION hold_loan_to_uses();
