DROP TABLE certificate;
ALTER TABLE tool_model DROP COLUMN turnaround_hours, DROP COLUMN value_minor, DROP COLUMN deposit_minor, DROP COLUMN parts,
  DROP COLUMN certificate_needed, DROP COLUMN approval_needed;
DROP TABLE lending_rule;
