DROP TABLE waiting_offer, waiting_line, waiting_entry;
