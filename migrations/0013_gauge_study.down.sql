DROP TABLE gauge_study;
