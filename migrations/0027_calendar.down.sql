DROP INDEX booking_at_garage, booking_abandoned;
DROP TABLE calendar;
