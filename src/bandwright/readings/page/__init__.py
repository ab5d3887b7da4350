"""The layout of a page of labelled text: lines, cells, pairs, lists, tables, and where a later moment begins."""
