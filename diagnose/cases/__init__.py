"""The casebook: cases as journals on disk."""
