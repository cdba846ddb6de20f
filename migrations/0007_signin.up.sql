-- How people and phones come in: invitations, pairings and identities of an OpenID Connect issuer.
--
-- Of a code only the SHA-256 is kept, as of a token. The token that a code is exchanged for is derived from the code and
-- from salt, so that neither this table nor whoever has seen the code can make it alone.
SET lock_timeout = '1s';

CREATE TABLE invitation (
  club_id uuid NOT NULL REFERENCES club,
  id uuid NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32),
  salt bytea NOT NULL CHECK (octet_length(salt) = 32),
  name text NOT NULL,
  number text,
  roles text[] NOT NULL CHECK (roles <@ ARRAY['member', 'tool_keeper', 'treasurer', 'officer', 'auditor'] AND cardinality(roles) > 0),
  garage_id uuid,
  invited_by uuid NOT NULL,
  created_at timestamptz NOT NULL,
  expires_at timestamptz NOT NULL,
  withdrawn_at timestamptz,
  fingerprint bytea NOT NULL, -- of the request that made it, so that the same id with other content is refused
  PRIMARY KEY (club_id, id),
  CONSTRAINT invitation_hash UNIQUE (club_id, hash),
  CONSTRAINT invitation_lasts_30_days_at_most CHECK (expires_at > created_at AND expires_at <= created_at + interval '720 hours'),
  FOREIGN KEY (club_id, garage_id) REFERENCES garage,
  FOREIGN KEY (club_id, invited_by) REFERENCES member
);
SELECT fence('invitation');
GRANT INSERT, UPDATE (withdrawn_at) ON invitation TO pinwright_app;

CREATE TABLE pairing (
  club_id uuid NOT NULL,
  id uuid NOT NULL,
  hash bytea NOT NULL CHECK (octet_length(hash) = 32),
  salt bytea NOT NULL CHECK (octet_length(salt) = 32),
  member_id uuid NOT NULL,
  label text NOT NULL,
  scopes text[] NOT NULL CHECK (scopes <@ ARRAY['read', 'readings', 'write'] AND cardinality(scopes) > 0),
  created_at timestamptz NOT NULL,
  expires_at timestamptz NOT NULL,
  withdrawn_at timestamptz,
  fingerprint bytea NOT NULL,
  PRIMARY KEY (club_id, id),
  CONSTRAINT pairing_hash UNIQUE (club_id, hash),
  CONSTRAINT pairing_lasts_an_hour_at_most CHECK (expires_at > created_at AND expires_at <= created_at + interval '1 hour'),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('pairing');
GRANT INSERT, UPDATE (withdrawn_at) ON pairing TO pinwright_app;

-- What makes a code good for one token only, however many present it at once. Which codes are used is read from here.
ALTER TABLE token
  ADD COLUMN invitation_id uuid,
  ADD COLUMN pairing_id uuid,
  ADD CONSTRAINT token_of_invitation UNIQUE (club_id, invitation_id),
  ADD CONSTRAINT token_of_pairing UNIQUE (club_id, pairing_id),
  ADD FOREIGN KEY (club_id, invitation_id) REFERENCES invitation,
  ADD FOREIGN KEY (club_id, pairing_id) REFERENCES pairing;

-- Whom an issuer vouches for; a URL has no space. hash is what a request is looked up by, as a token is by its own.
CREATE TABLE member_identity (
  club_id uuid NOT NULL,
  hash bytea NOT NULL,
  id uuid NOT NULL,
  member_id uuid NOT NULL,
  issuer text NOT NULL,
  subject text NOT NULL,
  linked_at timestamptz NOT NULL,
  used_on date,
  PRIMARY KEY (club_id, hash),
  CONSTRAINT member_identity_id UNIQUE (club_id, id),
  CONSTRAINT member_identity_hash CHECK (hash = sha256(convert_to(issuer || ' ' || subject, 'UTF8'))),
  FOREIGN KEY (club_id, member_id) REFERENCES member
);
SELECT fence('member_identity');
GRANT INSERT, UPDATE (used_on), DELETE ON member_identity TO pinwright_app;
