"""Records to JUnit XML, tables and pages; a pure function of the run folder, never of a bench."""
