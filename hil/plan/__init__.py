"""Files a user writes, read strictly into frozen typed models."""
