"""The interface for programs, `/api/v1/`: what the pages know, read only, each answer with its form and units."""
