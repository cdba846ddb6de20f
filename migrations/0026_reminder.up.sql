-- What people are reminded of, and how they want to hear of it.
SET lock_timeout = '1s';

-- A member without a row has the defaults, which every column states, and gets no mail.
CREATE TABLE contact (
  club_id uuid NOT NULL,
  member_id uuid NOT NULL,
  mail_address text CHECK (length(mail_address) BETWEEN 3 AND 254),
  hours_before integer NOT NULL DEFAULT 24 CHECK (hours_before BETWEEN 1 AND 168), -- how long before something begins or is due
  quiet_from time, -- on the clock of the member's garage; over midnight where it ends before it begins
  quiet_until time,
  event_only text[] NOT NULL DEFAULT '{}', -- kinds that are not mailed
  unwanted text[] NOT NULL DEFAULT '{}', -- kinds that the member is not reminded of at all
  version bigint NOT NULL DEFAULT 1,
  PRIMARY KEY (club_id, member_id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT contact_quiet_ends CHECK ((quiet_from IS NULL) = (quiet_until IS NULL) AND quiet_from <> quiet_until),
  CONSTRAINT contact_kind_once CHECK (NOT event_only && unwanted)
);
SELECT fence('contact');
GRANT INSERT, UPDATE (mail_address, hours_before, quiet_from, quiet_until, event_only, unwanted, version) ON contact TO pinwright_app;

-- One reminder of one thing to one member. reminder_once makes a second one impossible, however often and wherever the
-- work is done; a due date that moves makes another moment, and so another reminder.
CREATE TABLE reminder (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  kind text NOT NULL CHECK (kind IN ('due_soon', 'late', 'begins_soon', 'offer', 'endangered', 'moved', 'approval', 'to_approve', 'choice', 'calibration', 'inspection')),
  subject uuid NOT NULL, -- a loan, a reservation or a tool, as the kind says
  due_at timestamptz NOT NULL, -- the moment it is about, or from which on it was to be told
  told_at timestamptz NOT NULL, -- the time that it tells: when the tool was due, when the reservation begins
  detail text NOT NULL DEFAULT '' CHECK (detail IN ('', 'late', 'quarantine', 'lost', 'retired', 'calibration', 'given', 'declined')),
  tools uuid[] NOT NULL,
  time_zone text NOT NULL, -- of the garage where it happens
  made_at timestamptz NOT NULL,
  -- waiting → sending → sent, refused (for good) or unknown (it may have arrived, so it is not sent again); a temporary
  -- refusal leads back to waiting. unwanted: no address or the member's choice; obsolete: not so any more when it could go out.
  mail text NOT NULL CHECK (mail IN ('unwanted', 'waiting', 'sending', 'sent', 'refused', 'unknown', 'obsolete')),
  mail_after timestamptz, -- not before: quiet hours, or a pause after a refusal
  mail_tries smallint NOT NULL DEFAULT 0,
  mail_at timestamptz, -- of its newest change
  mail_reply smallint, -- the server's code (RFC 5321, 4.2) where it gave one; its text may hold an address
  PRIMARY KEY (club_id, id),
  FOREIGN KEY (club_id, member_id) REFERENCES member,
  CONSTRAINT reminder_once UNIQUE (club_id, member_id, kind, subject, due_at),
  CONSTRAINT reminder_waits_for_a_time CHECK (mail <> 'waiting' OR mail_after IS NOT NULL),
  CONSTRAINT reminder_sending_since CHECK (mail <> 'sending' OR mail_at IS NOT NULL)
);
CREATE INDEX reminder_of_member ON reminder (club_id, member_id, id DESC);
CREATE INDEX reminder_to_mail ON reminder (club_id, mail_after, id) WHERE mail = 'waiting';
CREATE INDEX reminder_sending ON reminder (club_id, mail_at) WHERE mail = 'sending';
SELECT fence('reminder');
GRANT INSERT, UPDATE (mail, mail_after, mail_tries, mail_at, mail_reply) ON reminder TO pinwright_app;

-- What there is to remind of, for a search that comes every minute.
CREATE INDEX booking_endangered ON booking (club_id, endangered_at) WHERE endangered IS NOT NULL AND state = 'reserved';
CREATE INDEX reservation_approval ON reservation (club_id, approval_at) WHERE approval IN ('given', 'declined');
CREATE INDEX event_of_move ON event (club_id, at) WHERE type = 'reservation.moved';

-- clubs_to_sweep is all that who keeps time may know of clubs: that they are there. What is due in one is looked for behind
-- its fence.
CREATE FUNCTION clubs_to_sweep() RETURNS SETOF uuid LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
  SELECT club_id FROM club ORDER BY club_id
$$;
REVOKE ALL ON FUNCTION clubs_to_sweep() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION clubs_to_sweep() TO pinwright_jobs;
COMMENT ON FUNCTION clubs_to_sweep IS 'The ids of all clubs, for the role that keeps time';
