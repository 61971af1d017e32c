"""Parts of tools/nights: what is drawn, the station that lives through it, and what it told."""
