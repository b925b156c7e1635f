"""What alerts tell others. Payloads hold ids, causes and severities; never a name, a sum or a fact of health."""

ALERT_RAISED = "alerts.raised"  # {alert, cause, about, severity, owner_role, owner}
ALERT_SEVERITY_CHANGED = "alerts.severity_changed"  # {alert, cause, about, severity, before}
ALERT_ACKNOWLEDGED = "alerts.acknowledged"  # {alert, cause, about, severity, snoozed_until}
ALERT_WOKEN = "alerts.woken"  # {alert, cause, about, severity}
ALERT_HANDED_OVER = "alerts.handed_over"  # {alert, cause, about, severity, owner}
ALERT_ESCALATED = "alerts.escalated"  # {alert, cause, about, severity, level, to}
ALERT_CLOSED = "alerts.closed"  # {alert, cause, about, severity, because}
RULE_SET = "alerts.rule_set"  # {cause, branch, fields}
DIGEST_MADE = "alerts.digest_made"  # {digest, day}
DIGEST_SENT = "alerts.digest_sent"  # {digest, mail, user}
DIGEST_NOT_SENT = "alerts.digest_not_sent"  # {digest, mail, user, detail}
DIGEST_SUBSCRIBED = "alerts.digest_subscribed"  # {user, branch}
DIGEST_UNSUBSCRIBED = "alerts.digest_unsubscribed"  # {user, branch}
