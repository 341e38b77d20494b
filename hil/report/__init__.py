"""Records to HTML, JUnit and tables; a pure function of the record."""
