"""Owns what is charged: dated price lists, packages, promotions, vouchers of public schemes."""
