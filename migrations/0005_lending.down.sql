DROP TABLE booking, reservation;
