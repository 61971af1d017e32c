"""Parts of tools/bench: one module a subject, what they share in figures, rounds and material."""
