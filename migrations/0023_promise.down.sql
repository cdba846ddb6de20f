ALTER TABLE booking DROP CONSTRAINT no_double_booking;
ALTER TABLE booking ADD CONSTRAINT no_double_booking EXCLUDE USING gist (club_id WITH =, tool_id WITH =, held WITH &&) WHERE (state IN ('reserved', 'out', 'returned'));
REVOKE UPDATE (garage_id) ON booking FROM pinwright_app;
DROP INDEX booking_of_member, booking_out_of_member, booking_out, loan_open_of_member, certificate_of_model, certificate_listed;
DROP TRIGGER booking_for_member ON booking;
DROP FUNCTION book_for_member();
ALTER TABLE booking DROP COLUMN member_id;
