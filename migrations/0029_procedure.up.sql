-- Procedures: how a kind of joint is repaired, step by step. A change makes a new edition and leaves the others as they are,
-- so that a repair that follows one is never changed under the hands of who works on it.
SET lock_timeout = '1s';

CREATE TABLE procedure (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  kind_of_joint text NOT NULL, -- in the trade's words
  edition integer NOT NULL DEFAULT 1 CHECK (edition > 0), -- the newest, which new repairs follow
  retired_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT procedure_code UNIQUE (club_id, code)
);
SELECT fence('procedure');
GRANT INSERT, UPDATE (name, edition, retired_at, version) ON procedure TO pinwright_app;

CREATE TABLE procedure_edition (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  procedure_id uuid NOT NULL,
  edition integer NOT NULL CHECK (edition > 0),
  steps jsonb NOT NULL CHECK (jsonb_typeof(steps) = 'array' AND jsonb_array_length(steps) > 0),
  note text NOT NULL DEFAULT '', -- what changed, and why
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT procedure_edition_number UNIQUE (club_id, procedure_id, edition),
  FOREIGN KEY (club_id, procedure_id) REFERENCES procedure,
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('procedure_edition');
GRANT INSERT ON procedure_edition TO pinwright_app; -- history
