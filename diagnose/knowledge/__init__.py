"""Rule files: models, reader, packs laid over each other, check."""
