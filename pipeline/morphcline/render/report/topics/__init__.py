"""The report's sections, a topic each, made from the tables and from what the stages report of themselves."""
