-- The sizes that matter of each kind of tool, and by which bores and periods tools are looked for.
SET lock_timeout = '1s';

ALTER TABLE tool_model
  ADD COLUMN tolerance_lower_nm bigint, -- of a reamer's cutting diameter
  ADD COLUMN tolerance_upper_nm bigint,
  ADD COLUMN puller jsonb NOT NULL DEFAULT '{}', -- of a puller: jaw_reach_nm, jaw_opening_nm, stroke_nm, screw_thread
  -- The bores that it cuts or measures as far as is known; none: it serves no bore, or nobody said which. An outside micrometer enters no bore.
  ADD COLUMN serves_from_nm bigint GENERATED ALWAYS AS (CASE
    WHEN kind = 'reamer' THEN least(size_nm + coalesce(tolerance_lower_nm, 0), range_from_nm)
    WHEN kind IN ('pin_gauge', 'plug_gauge') THEN size_nm
    WHEN kind IN ('inside_micrometer', 'caliper', 'bore_gauge', 'telescoping_gauge') AND range_to_nm IS NOT NULL THEN coalesce(range_from_nm, 0) END) STORED,
  ADD COLUMN serves_until_nm bigint GENERATED ALWAYS AS (CASE
    WHEN kind = 'reamer' THEN greatest(size_nm + coalesce(tolerance_upper_nm, 0), range_to_nm)
    WHEN kind IN ('pin_gauge', 'plug_gauge') THEN size_nm
    WHEN kind IN ('inside_micrometer', 'caliper', 'bore_gauge', 'telescoping_gauge') THEN range_to_nm END) STORED,
  ADD CONSTRAINT tool_model_tolerance CHECK ((tolerance_lower_nm IS NULL) = (tolerance_upper_nm IS NULL) AND tolerance_lower_nm <= tolerance_upper_nm),
  ADD CONSTRAINT tool_model_tolerance_of_reamers CHECK (tolerance_lower_nm IS NULL OR kind = 'reamer'),
  ADD CONSTRAINT tool_model_puller CHECK (jsonb_typeof(puller) = 'object' AND (puller = '{}' OR kind = 'puller'));
CREATE INDEX tool_model_serves ON tool_model (club_id, serves_until_nm, serves_from_nm) WHERE serves_until_nm IS NOT NULL;
CREATE INDEX tool_model_size ON tool_model (club_id, size_nm) WHERE size_nm IS NOT NULL;

-- Where a tool is while it is in the house.
ALTER TABLE tool ADD COLUMN present_garage_id uuid NOT NULL GENERATED ALWAYS AS (coalesce(place_garage_id, garage_id)) STORED;
CREATE INDEX tool_at_garage ON tool (club_id, present_garage_id, number);
