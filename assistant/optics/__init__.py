"""Lenses, power vectors, vertex distance, acuity and near addition. Pure: no clock, no files, no audio."""
