-- When garages are open, when the club is closed, and how long a tool travels between two garages.
SET lock_timeout = '1s';

-- Opening hours by weekday; a day may open twice. A garage without rows opens every day as its own opens and closes say; one
-- with rows is closed on days that have none. Hours that close at or before they open end on the next day.
CREATE TABLE garage_hours (
  club_id uuid NOT NULL,
  garage_id uuid NOT NULL,
  weekday smallint NOT NULL CHECK (weekday BETWEEN 1 AND 7), -- ISO 8601: 1 is Monday
  opens time NOT NULL,
  closes time NOT NULL, -- 24:00 is midnight at the end of the day
  PRIMARY KEY (club_id, garage_id, weekday, opens),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage
);
SELECT fence('garage_hours');
GRANT INSERT, DELETE ON garage_hours TO pinwright_app;

-- Days on which nothing is handed out or taken back, at one garage or at all. Tools may be out over them.
CREATE TABLE closure (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  garage_id uuid, -- none: the whole club
  first_day date NOT NULL,
  last_day date NOT NULL,
  reason text NOT NULL DEFAULT '',
  member_id uuid NOT NULL,
  recorded_at timestamptz NOT NULL,
  withdrawn_at timestamptz,
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT closure_ends_after_it_begins CHECK (last_day >= first_day)
);
CREATE INDEX closure_ahead ON closure (club_id, last_day) WHERE withdrawn_at IS NULL;
SELECT fence('closure');
GRANT INSERT, UPDATE (withdrawn_at, version) ON closure TO pinwright_app;

-- Each pair of garages stands once, the smaller id first; the way back takes as long.
CREATE TABLE travel_time (
  club_id uuid NOT NULL,
  garage_id uuid NOT NULL,
  other_garage_id uuid NOT NULL,
  minutes integer NOT NULL CHECK (minutes BETWEEN 0 AND 20160),
  PRIMARY KEY (club_id, garage_id, other_garage_id),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, other_garage_id) REFERENCES garage,
  CONSTRAINT travel_time_stands_once CHECK (garage_id < other_garage_id)
);
SELECT fence('travel_time');
GRANT INSERT, UPDATE (minutes), DELETE ON travel_time TO pinwright_app;

-- zones_in_use are the time zones of all clubs' garages, and nothing of whose: a serving process holds their rules
-- against its own when it starts.
CREATE FUNCTION zones_in_use() RETURNS SETOF text LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
  SELECT DISTINCT time_zone FROM garage ORDER BY time_zone
$$;
REVOKE ALL ON FUNCTION zones_in_use() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION zones_in_use() TO pinwright_app;
