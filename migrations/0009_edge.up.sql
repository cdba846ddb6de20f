-- The web origins whose pages may read what the service answers to this club's members (CORS). The officers keep the list;
-- what an origin looks like is checked by package club.
SET lock_timeout = '1s';

ALTER TABLE club ADD COLUMN origins text[] NOT NULL DEFAULT '{}'
  CONSTRAINT club_origins CHECK (cardinality(origins) <= 20 AND array_position(origins, NULL) IS NULL);
GRANT UPDATE (origins) ON club TO pinwright_app;
