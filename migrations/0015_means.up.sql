-- What decides how a joint can be mended: the metal about its bores, what the place allows of a tool, how the reamer is
-- guided, what coatings will take; how reamers are built; and what of a pin a held bore grips, with the reamer for it.
SET lock_timeout = '1s';

ALTER TABLE joint_template
  ADD boss jsonb NOT NULL DEFAULT '{}', -- kind, outer_nm, minimum_wall_nm, material, hardness_hb
  ADD access jsonb NOT NULL DEFAULT '{}', -- blind, keyway, oil_groove, interrupted, room_beyond_nm, room_before_nm
  ADD guidance_offset_nm bigint CHECK (guidance_offset_nm BETWEEN 0 AND 5000000), -- null: the engine's default for the guidance
  ADD CONSTRAINT joint_template_boss CHECK (jsonb_typeof(boss) = 'object'),
  ADD CONSTRAINT joint_template_access CHECK (jsonb_typeof(access) = 'object'),
  DROP CONSTRAINT joint_template_guidance_check,
  ADD CONSTRAINT joint_template_guidance_check CHECK (guidance IN ('floating', 'held_to_axis', 'pilot', 'jig', 'line_of_leaves'));

-- Members of boss and access that are missing here are the template's; so is the guidance, with its offset.
ALTER TABLE joint
  ADD boss jsonb NOT NULL DEFAULT '{}',
  ADD access jsonb NOT NULL DEFAULT '{}',
  ADD guidance text CHECK (guidance IN ('floating', 'held_to_axis', 'pilot', 'jig', 'line_of_leaves')),
  ADD guidance_offset_nm bigint CHECK (guidance_offset_nm BETWEEN 0 AND 5000000),
  ADD coating_nm bigint CHECK (coating_nm BETWEEN 0 AND 5000000), -- what coatings still to come take from the clearance, on diameter
  ADD CONSTRAINT joint_boss CHECK (jsonb_typeof(boss) = 'object'),
  ADD CONSTRAINT joint_access CHECK (jsonb_typeof(access) = 'object');

ALTER TABLE pin_step
  ADD held_reamer_nm bigint CHECK (held_reamer_nm > 0), -- cuts held bores for this pin; null: they stay as they are
  ADD held_surface text CHECK (held_surface IN ('plain', 'knurled', 'splined')),
  ADD held_part_min_nm bigint CHECK (held_part_min_nm > 0), -- what of the pin is gripped, over the crests; null: the pin itself
  ADD held_part_max_nm bigint,
  ADD CONSTRAINT pin_step_held_part CHECK ((held_part_min_nm IS NULL) = (held_part_max_nm IS NULL) AND held_part_min_nm <= held_part_max_nm);

ALTER TABLE tool_model
  ADD build jsonb NOT NULL DEFAULT '{}', -- of a reamer: flutes, lead, expansion, piloted, lead_length_nm, length_nm
  ADD CONSTRAINT tool_model_build CHECK (jsonb_typeof(build) = 'object' AND (build = '{}' OR kind = 'reamer'));

-- How the numbers of the chosen options came about, kept with the answer since nothing of it is computed again.
ALTER TABLE recommendation ADD explanation bytea;
