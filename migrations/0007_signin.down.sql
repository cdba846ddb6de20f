DROP TABLE member_identity;
ALTER TABLE token DROP COLUMN invitation_id, DROP COLUMN pairing_id;
DROP TABLE pairing, invitation;
