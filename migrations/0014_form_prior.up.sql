-- What a club's own features of a kind let it expect of the next. Versions are added, never changed, so that an answer can
-- name the one that it used.
SET lock_timeout = '1s';

CREATE TABLE form_prior (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  template_id uuid NOT NULL,
  shape text NOT NULL CHECK (shape IN ('bore', 'pin')),
  position text NOT NULL DEFAULT '', -- '' is all positions
  version integer NOT NULL CHECK (version > 0),
  made_by uuid NOT NULL,
  created_at timestamptz NOT NULL,
  features integer NOT NULL CHECK (features >= 0), -- that it rests on
  readings integer NOT NULL CHECK (readings >= 0),
  gains integer NOT NULL CHECK (gains >= 0), -- features read before and after cleaning
  bell_mouth double precision NOT NULL CHECK (bell_mouth > 0), -- factors on the defaults
  ovality double precision NOT NULL CHECK (ovality > 0),
  surface double precision NOT NULL CHECK (surface > 0),
  base_low_um double precision NOT NULL, -- of base sizes over nominal
  base_high_um double precision NOT NULL,
  base_shoulder_um double precision NOT NULL CHECK (base_shoulder_um > 0),
  detail jsonb NOT NULL, -- intervals and weights of the factors
  engine text NOT NULL,
  digest bytea NOT NULL CHECK (octet_length(digest) = 32), -- of all that it was learned from
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, template_id) REFERENCES joint_template,
  FOREIGN KEY (club_id, made_by) REFERENCES member,
  CONSTRAINT form_prior_version UNIQUE (club_id, template_id, shape, position, version),
  CONSTRAINT form_prior_base CHECK (base_low_um <= base_high_um)
);
SELECT fence('form_prior');
GRANT INSERT ON form_prior TO pinwright_app;
