SET lock_timeout = '1s';
DROP TRIGGER repair_conforms ON repair;
DROP FUNCTION hold_signature_to_conformity();
DROP TABLE nonconformity, reamer_cut, verification;
