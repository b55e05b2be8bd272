"""The film: characteristic curves, grain populations, films of records, and films from readings and files."""
