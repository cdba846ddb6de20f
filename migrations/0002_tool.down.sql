DROP TABLE calibration, tool, tool_model;
