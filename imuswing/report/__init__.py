"""Pages for people: texts, plots, tables as one self-contained file. It computes no measure."""
