"""Files: canonical form, hashes, versions, atomic writes, pictures."""
