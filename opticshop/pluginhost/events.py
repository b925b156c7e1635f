"""What this app tells others. Values of settings never leave, only their names.

Payload: ``{"plugin": name, "branch": id or null, "is_active": true, false or null, "settings": [names]}``.
"""

ACTIVATION_CHANGED = "pluginhost.activation_changed"
