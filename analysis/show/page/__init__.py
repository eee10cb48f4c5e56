"""The pages: the report and the commissioning record as self-contained HTML."""
