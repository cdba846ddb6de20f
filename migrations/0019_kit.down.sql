DROP TABLE kit_part, kit;
