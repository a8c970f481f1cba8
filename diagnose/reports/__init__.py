"""Reports of a case to print, mail or keep: pages of text and HTML, laid out and nothing more."""
