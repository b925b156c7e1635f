"""Owns the clinical exchange: FHIR resources read and taken in."""
