"""Whole pages in one file or folder."""
