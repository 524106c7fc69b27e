"""From a Listening to what a person or a program reads: view, text, CSV, schema. Only ``write`` touches files."""
