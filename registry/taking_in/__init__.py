"""Files to records: read, judged and entered whole, or refused with findings."""
