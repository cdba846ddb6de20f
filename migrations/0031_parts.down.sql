SET lock_timeout = '1s';
DROP INDEX pin_series_of_supplier;
DROP TABLE parts_arrival_line, parts_arrival, parts_line, parts_order, supplier;
