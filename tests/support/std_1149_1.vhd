-- The attributes that BSDL files give values to, declared for a VHDL analyser: names and types as the standard publishes
-- them, in our own words, without the cell tables. EDITION stands for the year.
package STD_1149_1_EDITION is
  attribute COMPONENT_CONFORMANCE : string;
  attribute PIN_MAP : string;
  subtype PIN_MAP_STRING is string;
  attribute PORT_GROUPING : string;

  type CLOCK_LEVEL is (LOW, BOTH);
  type CLOCK_INFO is record
    FREQ : real;
    LEVEL : CLOCK_LEVEL;
  end record;
  attribute TAP_SCAN_IN : boolean;
  attribute TAP_SCAN_OUT : boolean;
  attribute TAP_SCAN_MODE : boolean;
  attribute TAP_SCAN_CLOCK : CLOCK_INFO;
  attribute TAP_SCAN_RESET : boolean;
  attribute COMPLIANCE_PATTERNS : string;

  attribute INSTRUCTION_LENGTH : integer;
  attribute INSTRUCTION_OPCODE : string;
  attribute INSTRUCTION_CAPTURE : string;
  attribute INSTRUCTION_PRIVATE : string;
  attribute IDCODE_REGISTER : string;
  attribute USERCODE_REGISTER : string;
  attribute REGISTER_ACCESS : string;

  attribute BOUNDARY_LENGTH : integer;
  attribute BOUNDARY_REGISTER : string;
  attribute RUNBIST_EXECUTION : string;
  attribute INTEST_EXECUTION : string;
  attribute DESIGN_WARNING : string;
end STD_1149_1_EDITION;
