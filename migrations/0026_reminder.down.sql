DROP FUNCTION clubs_to_sweep();
DROP INDEX booking_endangered, reservation_approval, event_of_move;
DROP TABLE reminder, contact;
