"""Files of any layout to rows of text: separated text, workbooks, Parquet, column maps."""
