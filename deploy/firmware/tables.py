# Made from states.py and causes.py by: python -m leverarm_daemon.tables
STATES = ("held", "start-allowed", "running", "stopping", "tripped")
HELD = 0
START_ALLOWED = 1
RUNNING = 2
STOPPING = 3
TRIPPED = 4
ALLOW = 0
SHUT = 1
STOP = 2
CAP = 3
LAPSE = 4
STILL = 5
TRIP = 6
RESET = 7
# AFTER[state][step] is the state afterwards; -1: nothing changes
AFTER = (
    (1, -1, -1, -1, -1, -1, 4, -1),  # held
    (-1, 2, 3, 3, 0, -1, 4, -1),  # start-allowed
    (-1, -1, 3, -1, -1, 0, 4, -1),  # running
    (-1, -1, -1, -1, -1, 0, 4, -1),  # stopping
    (-1, -1, -1, -1, -1, -1, -1, 0),  # tripped
)
IGNITION_LIVE = (1, 2)
