-- Whether what was cut fits, and what went wrong. Every act on either locks the repair's row first.
SET lock_timeout = '1s';

-- A verdict from the readings at hand. It is cited, so never changed; the newest of a joint counts.
CREATE TABLE verification (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- version 7, so that the newest is the greatest
  repair_id uuid NOT NULL,
  joint_id uuid NOT NULL,
  step_id uuid, -- of the repair; null: of none
  verdict text NOT NULL CHECK (verdict IN ('proved', 'refused', 'undecided')),
  risk double precision NOT NULL CHECK (risk > 0 AND risk < 0.5),
  content jsonb NOT NULL, -- lengths in micrometres
  member_id uuid NOT NULL,
  at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, repair_id, joint_id) REFERENCES repair_joint,
  FOREIGN KEY (club_id, step_id) REFERENCES repair_step,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
CREATE INDEX verification_of_repair ON verification (club_id, repair_id, id DESC);
SELECT fence('verification');
GRANT INSERT ON verification TO pinwright_app;

-- What size a reamer cut, as the readings of a verification tell. Of one cut (a bore, a reamer, a time) the newest
-- verification counts.
CREATE TABLE reamer_cut (
  club_id uuid NOT NULL,
  verification_id uuid NOT NULL,
  feature_id uuid NOT NULL,
  tool_id uuid NOT NULL,
  cut_at timestamptz NOT NULL, -- when the bore was first read after it
  size_nm bigint NOT NULL CHECK (size_nm > 0),
  u_nm bigint NOT NULL CHECK (u_nm > 0), -- standard uncertainty
  depth_nm bigint CHECK (depth_nm > 0), -- of the bore
  PRIMARY KEY (club_id, verification_id, feature_id),
  FOREIGN KEY (club_id, verification_id) REFERENCES verification,
  FOREIGN KEY (club_id, feature_id) REFERENCES feature,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool
);
CREATE INDEX reamer_cut_of_tool ON reamer_cut (club_id, tool_id, feature_id, cut_at, verification_id DESC);
SELECT fence('reamer_cut');
GRANT INSERT ON reamer_cut TO pinwright_app;

CREATE TABLE nonconformity (
  club_id uuid NOT NULL,
  id uuid NOT NULL, -- made by the client where it likes
  repair_id uuid NOT NULL,
  joint_id uuid NOT NULL,
  verification_id uuid, -- that found it
  kind text NOT NULL CHECK (kind IN ('fit_refused', 'reamer_broken', 'chip_jam', 'torn_finish', 'oversize_cut', 'other')),
  detail text NOT NULL DEFAULT '',
  found_at timestamptz NOT NULL,
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  options jsonb NOT NULL, -- as they stood when it was found
  chosen text CHECK (chosen IN ('ream_to', 'hone_to', 'bush_back_to_standard', 'replace_part', 'cut_again', 'keep')),
  step text, -- of the pin series, where one was chosen
  reason text NOT NULL DEFAULT '', -- of who decided
  decided_at timestamptz,
  decided_by uuid,
  proved_by uuid, -- the verification that settled it
  closed_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, repair_id, joint_id) REFERENCES repair_joint,
  FOREIGN KEY (club_id, verification_id) REFERENCES verification,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, decided_by) REFERENCES member,
  FOREIGN KEY (club_id, proved_by) REFERENCES verification,
  CONSTRAINT nonconformity_decided_whole CHECK (num_nonnulls(chosen, decided_at, decided_by) IN (0, 3)),
  CONSTRAINT nonconformity_closed_by_something CHECK (closed_at IS NULL OR num_nonnulls(decided_at, proved_by) > 0)
);
CREATE INDEX nonconformity_of_repair ON nonconformity (club_id, repair_id, id DESC);
CREATE INDEX nonconformity_of_verification ON nonconformity (club_id, verification_id) WHERE verification_id IS NOT NULL;
CREATE UNIQUE INDEX nonconformity_fit_once ON nonconformity (club_id, repair_id, joint_id) WHERE kind = 'fit_refused' AND closed_at IS NULL;
SELECT fence('nonconformity');
GRANT INSERT, UPDATE (chosen, step, reason, decided_at, decided_by, proved_by, closed_at, version) ON nonconformity TO pinwright_app;

-- Nothing is signed off over an open nonconformity. Who opens one locks the repair first, so that none slips in beside a
-- signature.
CREATE FUNCTION hold_signature_to_conformity() RETURNS trigger LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  IF EXISTS (SELECT FROM nonconformity n WHERE n.club_id = NEW.club_id AND n.repair_id = NEW.id AND n.closed_at IS NULL) THEN
    RAISE check_violation USING CONSTRAINT = 'repair_conforms', MESSAGE = 'a nonconformity of the repair is open';
  END IF;
  RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION hold_signature_to_conformity() FROM PUBLIC;
COMMENT ON FUNCTION hold_signature_to_conformity IS 'Refuses to sign a repair off while a nonconformity of it is open';
CREATE TRIGGER repair_conforms BEFORE UPDATE OF state ON repair FOR EACH ROW WHEN (NEW.state = 'signed') EXECUTE FUNCTION hold_signature_to_conformity();
