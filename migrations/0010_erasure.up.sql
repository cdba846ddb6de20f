-- People and clubs can ask to be forgotten. What they measured, lent and promised stays, and so does the journal, which
-- holds ids and digests only.
--
-- Names stand in tables that the application may not change (reading_void) or not in those columns (token.label). Its
-- rights stay as narrow as they are: it may run erase_member, which blanks what one member of its own club wrote, and
-- nothing else. A table that comes later with a person's words in it adds them here; a test asks the catalogue.
SET lock_timeout = '1s';

ALTER TABLE member ADD COLUMN erased_at timestamptz,
  ADD CONSTRAINT member_erased_is_disabled CHECK (erased_at IS NULL OR disabled_at IS NOT NULL);

-- erase_words blanks what member m wrote. Text that must not be empty becomes 'erased'. The lock waits for writes under way
-- that refer to the member, so that what they leave is seen.
CREATE FUNCTION erase_words(c uuid, m uuid, t timestamptz) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  PERFORM FROM member WHERE club_id = c AND id = m FOR UPDATE;
  UPDATE token SET label = 'erased', revoked_at = coalesce(revoked_at, t) WHERE club_id = c AND member_id = m;
  UPDATE pairing SET label = 'erased' WHERE club_id = c AND member_id = m;
  UPDATE calendar SET revoked_at = t WHERE club_id = c AND member_id = m AND revoked_at IS NULL;
  DELETE FROM member_identity WHERE club_id = c AND member_id = m;
  UPDATE contact SET mail_address = NULL, quiet_from = NULL, quiet_until = NULL, event_only = '{}', unwanted = '{}', version = version + 1
    WHERE club_id = c AND member_id = m;
  -- The invitation they came by, and those that they made and nobody has accepted.
  UPDATE invitation i SET name = 'Erased', number = NULL
    WHERE i.club_id = c AND EXISTS (SELECT FROM token x WHERE x.club_id = c AND x.invitation_id = i.id AND x.member_id = m);
  UPDATE invitation i SET name = 'Erased', number = NULL, withdrawn_at = coalesce(withdrawn_at, t)
    WHERE i.club_id = c AND i.invited_by = m AND NOT EXISTS (SELECT FROM token x WHERE x.club_id = c AND x.invitation_id = i.id);
  UPDATE reservation SET purpose = '', cancel_reason = '', version = version + 1 WHERE club_id = c AND member_id = m AND (purpose <> '' OR cancel_reason <> '');
  UPDATE reading_void SET reason = 'erased' WHERE club_id = c AND member_id = m;
  UPDATE wear_event SET note = '' WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE wear_event_void SET reason = 'erased' WHERE club_id = c AND member_id = m;
  UPDATE distance_void SET reason = 'erased' WHERE club_id = c AND member_id = m;
  UPDATE parts_order SET note = '', version = version + 1 WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE parts_arrival SET note = '' WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE nonconformity SET detail = '', version = version + 1 WHERE club_id = c AND member_id = m AND detail <> '';
  UPDATE nonconformity SET reason = '', version = version + 1 WHERE club_id = c AND decided_by = m AND reason <> '';
  UPDATE tool_use SET note = '', version = version + 1 WHERE club_id = c AND m IN (member_id, recorded_by) AND note <> '';
  UPDATE tool_check SET note = '', version = version + 1 WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE tool_renewal SET note = '', version = version + 1 WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE tool_use SET void_reason = 'erased', version = version + 1 WHERE club_id = c AND voided_by = m;
  UPDATE tool_check SET void_reason = 'erased', version = version + 1 WHERE club_id = c AND voided_by = m;
  UPDATE tool_renewal SET void_reason = 'erased', version = version + 1 WHERE club_id = c AND voided_by = m;
  UPDATE import SET revert_reason = '', version = version + 1 WHERE club_id = c AND reverted_by = m AND revert_reason <> '';
  UPDATE procedure_edition SET note = '' WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE repair SET note = '', version = version + 1 WHERE club_id = c AND lead_id = m AND note <> '';
  UPDATE repair SET abandon_reason = 'erased', version = version + 1 WHERE club_id = c AND abandoned_by = m AND abandon_reason <> '';
  UPDATE repair_act SET note = '' WHERE club_id = c AND member_id = m AND note <> '';
  UPDATE repair_step SET note = '', version = version + 1 WHERE club_id = c AND m IN (began_by, done_by) AND note <> '';
  UPDATE history_consent SET note = '', withdrawn_at = coalesce(withdrawn_at, t), withdrawn_by = coalesce(withdrawn_by, m) WHERE club_id = c AND owner_id = m;
  UPDATE history_consent SET note = '' WHERE club_id = c AND recorded_by = m AND note <> '';
  UPDATE history_row h SET content = '{}', digest = sha256(convert_to('{}', 'UTF8')) FROM vehicle v
    WHERE h.club_id = c AND h.section = 'vehicle' AND v.club_id = c AND v.id = h.vehicle_id AND v.member_id = m;
  UPDATE photo SET caption = '', version = version + 1 WHERE club_id = c AND taken_by = m AND caption <> '';
  -- What a bank told of them: of rows that became theirs, and of those that name them.
  UPDATE bank_row r SET reference = '', name = '', version = version + 1 WHERE r.club_id = c AND r.reference || r.name <> ''
    AND (EXISTS (SELECT FROM entry e WHERE e.club_id = c AND e.id = r.entry_id AND e.member_id = m)
      OR EXISTS (SELECT FROM member x WHERE x.club_id = c AND x.id = m AND length(x.name) > 2 AND position(lower(x.name) IN lower(r.name || ' ' || r.reference)) > 0));
  UPDATE vehicle SET code = 'vehicle-' || right(id::text, 12), name = 'Erased', chassis_number = NULL, chassis_kind = NULL, version = version + 1
    WHERE club_id = c AND member_id = m;
  UPDATE member SET number = 'erased-' || right(id::text, 12), name = 'Erased member', roles = '{member}', garage_id = NULL,
    host_id = NULL, guest_last_day = NULL, guest_until = NULL,
    disabled_at = coalesce(disabled_at, t), erased_at = coalesce(erased_at, t), version = version + 1 WHERE club_id = c AND id = m;
END $$;
REVOKE ALL ON FUNCTION erase_words(uuid, uuid, timestamptz) FROM PUBLIC;
COMMENT ON FUNCTION erase_words IS 'Blanks what a member wrote and who they are; part of erase_member and erase_club';

-- erase_member erases member m of the transaction's club. spelt is their name as it stands inside JSON. Stored answers that
-- tell of them lose their body and headers, and not their row: a repeated request must not act a second time.
CREATE FUNCTION erase_member(c uuid, m uuid, spelt text, t timestamptz) RETURNS void
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
BEGIN
  IF c IS NULL OR c IS DISTINCT FROM nullif(current_setting('app.club', true), '')::uuid THEN
    RAISE insufficient_privilege USING MESSAGE = 'erase_member: not the club of this transaction';
  END IF;
  UPDATE answer SET headers = NULL, body = NULL WHERE club_id = c AND status IS NOT NULL AND (member_id = m
    OR position(convert_to(m::text, 'UTF8') IN body) > 0 OR position(convert_to(spelt, 'UTF8') IN body) > 0 OR position(spelt IN headers::text) > 0);
  PERFORM erase_words(c, m, t);
END $$;
REVOKE ALL ON FUNCTION erase_member(uuid, uuid, text, timestamptz) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION erase_member(uuid, uuid, text, timestamptz) TO pinwright_app;
COMMENT ON FUNCTION erase_member IS 'Erases a member of the club of this transaction';

-- erase_club erases every member, and what names the club and its places. Only the owner runs it.
CREATE FUNCTION erase_club(c uuid, t timestamptz) RETURNS void LANGUAGE plpgsql SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
  m uuid;
BEGIN
  FOR m IN SELECT id FROM member WHERE club_id = c ORDER BY id LOOP
    PERFORM erase_words(c, m, t);
  END LOOP;
  UPDATE answer SET headers = NULL, body = NULL WHERE club_id = c;
  DELETE FROM photo WHERE club_id = c; -- they show its places, and who knows what else
  UPDATE garage SET code = 'garage-' || right(id::text, 12), name = 'Erased', address = '', version = version + 1 WHERE club_id = c;
  UPDATE closure SET reason = '', version = version + 1 WHERE club_id = c AND reason <> '';
  UPDATE tool SET note = '', version = version + 1 WHERE club_id = c AND note <> '';
  UPDATE supplier SET note = '', version = version + 1 WHERE club_id = c AND note <> '';
  UPDATE history_import SET from_name = 'Erased' WHERE club_id = c;
  UPDATE entry SET note = '' WHERE club_id = c AND note <> '';
  UPDATE closing SET note = '' WHERE club_id = c AND note <> '';
  UPDATE bank_row SET reference = '', name = '', version = version + 1 WHERE club_id = c AND reference || name <> '';
  UPDATE charge_rule SET note = '' WHERE club_id = c AND note <> '';
  UPDATE tool_cost SET note = '' WHERE club_id = c AND note <> '';
  UPDATE loan_charge SET note = '', damage_note = '' WHERE club_id = c AND (note <> '' OR damage_note <> '');
  UPDATE kit SET note = '', version = version + 1 WHERE club_id = c AND note <> '';
  UPDATE club SET slug = 'erased-' || right(club_id::text, 12), name = 'Erased club', origins = '{}', version = version + 1 WHERE club_id = c;
END $$;
REVOKE ALL ON FUNCTION erase_club(uuid, timestamptz) FROM PUBLIC;
COMMENT ON FUNCTION erase_club IS 'Erases a whole club''s names';
