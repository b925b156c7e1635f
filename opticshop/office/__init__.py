"""The pages that people look at: head office's day at ``/office/``, the workshop's screen at ``/bench/``."""
