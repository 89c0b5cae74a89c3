-- STD_1532_2002: what IEEE 1532 adds for configuration in the system (from memory).
package STD_1532_2002 is
  attribute ISC_CONFORMANCE : STRING;
  attribute ISC_PIN_BEHAVIOR : STRING;
  attribute ISC_FIXED_SYSTEM_PINS : STRING;
  attribute ISC_STATUS : STRING;
  attribute ISC_BLANK_USERCODE : STRING;
  attribute ISC_SECURITY : STRING;
  attribute ISC_FLOW : STRING;
  attribute ISC_PROCEDURE : STRING;
  attribute ISC_ACTION : STRING;
  attribute ISC_ILLEGAL_EXIT : STRING;
  attribute ISC_DESIGN_WARNING : STRING;
end STD_1532_2002;
