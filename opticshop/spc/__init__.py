"""Statistical process control, pure: control charts, rules for unusual runs, capability, gauge studies.

Arrays and numbers in, frozen results out; no Django, no I/O, no clock. Sources stand beside the formulas:
- NIST/SEMATECH e-Handbook of Statistical Methods, chapter 6 (process monitoring).
- Western Electric, Statistical Quality Control Handbook, 1956: the rules.
- AIAG, Measurement Systems Analysis: gauge repeatability and reproducibility.
"""
