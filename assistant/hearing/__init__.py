"""From sound to meaning: where utterances end, what was said, how sure that is. One library a module."""
