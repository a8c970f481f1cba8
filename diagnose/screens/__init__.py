"""The app. Only this package imports its toolkit; it shows what `triage` says and reasons nothing itself."""
