"""Files read and written whole or not at all; tables checked key by key; patterns that cannot hang."""
