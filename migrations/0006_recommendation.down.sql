ALTER TABLE reservation DROP CONSTRAINT reservation_recommendation;
DROP TABLE recommendation_in_units, recommendation;
