"""Readers and writers: the only room that opens files."""
