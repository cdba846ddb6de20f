SET lock_timeout = '1s';
DROP TABLE workplan_reservation, workplan;
