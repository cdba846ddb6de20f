DROP TABLE distance_void;
DROP TABLE distance;
DROP TABLE wear_event_void;
DROP TABLE wear_event;
