"""Recordings and results in the formats of other tools: CSV, Parquet, C3D and OpenSim's orientation storage."""
