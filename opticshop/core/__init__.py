"""The shared kernel: errors, actor, ids, clock, money, outbox, idempotency, scoping. No word of the trade."""
