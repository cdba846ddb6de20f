-- Which steps of pin series a reamer serves.
SET lock_timeout = '1s';

CREATE INDEX pin_step_by_reamer ON pin_step (club_id, reamer_nm) WHERE reamer_nm IS NOT NULL;
CREATE INDEX pin_step_by_held_reamer ON pin_step (club_id, held_reamer_nm) WHERE held_reamer_nm IS NOT NULL;
