SET lock_timeout = '1s';

DROP INDEX pin_step_by_held_reamer;
DROP INDEX pin_step_by_reamer;
