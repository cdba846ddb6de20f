-- Calendars that members subscribe to: an address with a secret in it shows what a member has, where a tool is promised to, or
-- what goes over a garage's counter.
SET lock_timeout = '1s';

-- Only the SHA-256 of an address's secret is kept, as of a token's. Who made it may revoke it, and it ends with them.
CREATE TABLE calendar (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32),
  member_id uuid NOT NULL, -- who made it, and whose it is
  shows text NOT NULL CHECK (shows IN ('member', 'tool', 'garage')),
  tool_id uuid,
  garage_id uuid,
  names boolean NOT NULL DEFAULT false, -- who borrows stands in it, for whoever has the address
  created_at timestamptz NOT NULL,
  revoked_at timestamptz,
  fingerprint bytea NOT NULL, -- of the request that made it, so that the same id with other content is refused
  PRIMARY KEY (club_id, id),
  CONSTRAINT calendar_hash UNIQUE (club_id, hash),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  FOREIGN KEY (club_id, tool_id) REFERENCES tool,
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  CONSTRAINT calendar_shows_one_thing CHECK ((tool_id IS NOT NULL) = (shows = 'tool') AND (garage_id IS NOT NULL) = (shows = 'garage'))
);
SELECT fence('calendar');
GRANT INSERT, UPDATE (revoked_at) ON calendar TO pinwright_app;

-- What was given up is shown for a while, so that calendars that have it take it back.
CREATE INDEX booking_abandoned ON booking (club_id, tool_id, held_until) WHERE state IN ('cancelled', 'lost');
-- What is collected at another garage than where the tool lives.
CREATE INDEX booking_at_garage ON booking (club_id, garage_id, held_until) WHERE garage_id IS NOT NULL;
