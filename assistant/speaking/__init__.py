"""The assistant's voice: prompts rendered to sound, and players that say them."""
