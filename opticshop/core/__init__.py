"""The shared kernel: errors, actor, ids, clock, money, outbox, idempotency, scoping, base view set. No word of the trade."""
