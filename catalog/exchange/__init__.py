"""Lists that people keep in spreadsheets: rows and records, CSV and XLSX, in and out."""
