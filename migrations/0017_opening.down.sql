DROP FUNCTION zones_in_use();
DROP TABLE travel_time, closure, garage_hours;
