"""How an answer is put: sentences, tables, charts, report."""
