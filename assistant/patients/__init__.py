"""Virtual patients: eyes that blur, people who answer, cohorts of both. Pure and seeded: no files, clock or
audio."""
