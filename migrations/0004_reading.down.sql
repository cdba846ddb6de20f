DROP TABLE reading_void, reading;
