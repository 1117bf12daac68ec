"""What belongs to somebody: taken along, entrusted, given away, erased."""
