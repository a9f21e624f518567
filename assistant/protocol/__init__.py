"""The exam as a pure state machine: what was heard goes in, effects come out. No audio, clock, random or files."""
