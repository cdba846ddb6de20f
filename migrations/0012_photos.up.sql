-- Photos of tools and joints. Their bytes stand in a table of their own, so that no list ever touches them.
SET lock_timeout = '1s';

CREATE TABLE photo (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL, -- made by the client
  tool_id uuid,
  joint_id uuid,
  ordinal integer NOT NULL DEFAULT 0, -- lower first among the photos of one thing, then by id
  caption text NOT NULL DEFAULT '',
  taken_by uuid NOT NULL,
  added_at timestamptz NOT NULL,
  received bytea NOT NULL CHECK (octet_length(received) = 32), -- SHA-256 of what was sent: the same id with other bytes is refused
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, joint_id) REFERENCES joint,
  FOREIGN KEY (club_id, taken_by) REFERENCES member,
  CONSTRAINT photo_of_one_thing CHECK (num_nonnulls(tool_id, joint_id) = 1)
);
CREATE INDEX photo_of_tool ON photo (club_id, tool_id, ordinal, id) WHERE tool_id IS NOT NULL;
CREATE INDEX photo_of_joint ON photo (club_id, joint_id, ordinal, id) WHERE joint_id IS NOT NULL;
SELECT fence('photo');
GRANT INSERT, UPDATE (caption, ordinal, version), DELETE ON photo TO pinwright_app;

CREATE TABLE photo_image (
  club_id uuid NOT NULL,
  photo_id uuid NOT NULL,
  size text NOT NULL CHECK (size IN ('full', 'thumbnail')),
  media_type text NOT NULL CHECK (media_type IN ('image/jpeg', 'image/png')),
  width integer NOT NULL CHECK (width > 0),
  height integer NOT NULL CHECK (height > 0),
  hash bytea NOT NULL CHECK (octet_length(hash) = 32), -- SHA-256 of data
  data bytea NOT NULL,
  PRIMARY KEY (club_id, photo_id, size),
  FOREIGN KEY (club_id, photo_id) REFERENCES photo ON DELETE CASCADE
);
ALTER TABLE photo_image ALTER data SET STORAGE EXTERNAL; -- compressed already
SELECT fence('photo_image');
GRANT INSERT ON photo_image TO pinwright_app; -- what is shown at an address never changes

-- What a club's photos take, and how much they may. Adding one says what is allowed, and the bytes are counted where
-- they come and go, so that no two at once can pass the bound together.
CREATE TABLE photo_space (
  club_id uuid PRIMARY KEY REFERENCES club,
  bytes bigint NOT NULL DEFAULT 0 CHECK (bytes >= 0),
  allowed bigint NOT NULL,
  CONSTRAINT photo_space_suffices CHECK (bytes <= allowed)
);
SELECT fence('photo_space');
GRANT INSERT (club_id, allowed), UPDATE (allowed) ON photo_space TO pinwright_app;

CREATE FUNCTION count_photo_bytes() RETURNS trigger
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  UPDATE photo_space SET bytes = bytes + coalesce(octet_length(NEW.data), 0) - coalesce(octet_length(OLD.data), 0)
    WHERE club_id = coalesce(NEW.club_id, OLD.club_id);
  IF NOT FOUND THEN
    RAISE check_violation USING MESSAGE = 'no photo_space says what is allowed', CONSTRAINT = 'photo_space_suffices';
  END IF;
  RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION count_photo_bytes() FROM PUBLIC;
COMMENT ON FUNCTION count_photo_bytes IS 'Keeps photo_space.bytes the sum of what photo_image holds';
CREATE TRIGGER photo_bytes_counted AFTER INSERT OR UPDATE OR DELETE ON photo_image FOR EACH ROW EXECUTE FUNCTION count_photo_bytes();
