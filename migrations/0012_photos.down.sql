DROP TABLE photo_space;
DROP TABLE photo_image;
DROP TABLE photo;
DROP FUNCTION count_photo_bytes();
