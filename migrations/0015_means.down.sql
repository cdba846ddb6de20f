SET lock_timeout = '1s';

ALTER TABLE recommendation DROP explanation;
ALTER TABLE tool_model DROP build;
ALTER TABLE pin_step DROP held_reamer_nm, DROP held_surface, DROP held_part_min_nm, DROP held_part_max_nm;
ALTER TABLE joint DROP boss, DROP access, DROP guidance, DROP guidance_offset_nm, DROP coating_nm;
UPDATE joint_template SET guidance = 'held_to_axis' WHERE guidance IN ('pilot', 'jig', 'line_of_leaves');
ALTER TABLE joint_template DROP boss, DROP access, DROP guidance_offset_nm,
  DROP CONSTRAINT joint_template_guidance_check,
  ADD CONSTRAINT joint_template_guidance_check CHECK (guidance IN ('floating', 'held_to_axis'));
