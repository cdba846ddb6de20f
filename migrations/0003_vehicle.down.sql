DROP TABLE feature, joint, vehicle, template_feature, joint_template, pin_step, pin_series;
