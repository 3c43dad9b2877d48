"""Recordings as files: CSV and Parquet, in and out."""
