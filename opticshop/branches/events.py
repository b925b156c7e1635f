BRANCH_OPENED = "branches.opened"
BRANCH_CHANGED = "branches.changed"
CALENDAR_CHANGED = "branches.calendar_changed"  # {branch, what}
