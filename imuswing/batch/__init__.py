"""Many recordings: what is to be done, done in batches by processes or a Dask cluster, resumed, and kept whole."""
