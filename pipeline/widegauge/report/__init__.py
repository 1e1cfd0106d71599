"""Pictures and pages that people look at."""
