SET lock_timeout = '1s';
DROP TABLE repair_act, repair_timer, repair_step, repair_joint, repair;
DROP FUNCTION keep_joints_open();
