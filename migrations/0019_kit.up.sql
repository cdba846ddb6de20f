-- Kits: tools that go out together, each a certain tool or any tool of a model.
SET lock_timeout = '1s';

CREATE TABLE kit (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  code text NOT NULL,
  name text NOT NULL,
  note text NOT NULL DEFAULT '',
  retired_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  CONSTRAINT kit_code UNIQUE (club_id, code)
);
SELECT fence('kit');
GRANT INSERT, UPDATE (code, name, note, retired_at, version) ON kit TO pinwright_app;

CREATE TABLE kit_part (
  club_id uuid NOT NULL,
  kit_id uuid NOT NULL,
  ordinal smallint NOT NULL CHECK (ordinal BETWEEN 0 AND 19),
  tool_id uuid,
  model_id uuid,
  PRIMARY KEY (club_id, kit_id, ordinal),
  FOREIGN KEY (club_id, kit_id) REFERENCES kit,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, model_id) REFERENCES tool_model,
  CONSTRAINT kit_part_is_a_tool_or_a_model CHECK (num_nonnulls(tool_id, model_id) = 1),
  CONSTRAINT kit_part_once UNIQUE (club_id, kit_id, tool_id)
);
SELECT fence('kit_part');
GRANT INSERT, DELETE ON kit_part TO pinwright_app;
