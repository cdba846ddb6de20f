DROP TABLE form_prior;
