# Lines of the stand link, on the front end's side. Runs on MicroPython and CPython; PROTOCOL.md is the reference.
import binascii

VERSION = 1
SEQ_MODULUS = 1000000
MAX_LINE = 512

# Limits by name: what is looser (1: a larger number, -1: a smaller one, 0: any other), the least and the most.
LIMITS = {
    "trip_us": (-1, 20, 1000000),       # pickup interval at the trip speed
    "cap_us": (-1, 20, 1000000),        # pickup interval at the start cap
    "slow_us": (0, 20, 1000000),        # pickup interval at the speed above which the engine may run by itself
    "arm_ms": (1, 500, 10000),          # time above that speed until it does
    "lost_ms": (1, 50, 1000),           # shortest silence of the pickup that counts as lost
    "still_ms": (0, 500, 5000),         # silence of the pickup after which the crankshaft counts as still
    "age_ms": (1, 50, 500),             # oldest answer of the host
    "lapse_s": (1, 10, 600),            # an allowed start lapses after this time without a cord pull
    "shield": (-1, 0, 1),               # 1: a shield switch is fitted
}


def crc(data):
    return binascii.crc32(data) & 0xFFFFFFFF


def seal(body):
    """Give the line of a body, CRC and line end included, as bytes."""
    data = body.encode()
    return data + (" *%08x\n" % crc(data)).encode()


def unseal(line):
    """Give the words of a line, or None when it is damaged."""
    if len(line) < 12 or line[-10:-8] != b" *":
        return None
    body = line[:-10]
    try:
        if int(line[-8:], 16) != crc(body):
            return None
        return body.decode().split(" ")
    except ValueError:
        return None


def whole(text):
    """Give a whole number of at most 9 digits, or -1 when the text is none."""
    try:
        return int(text) if text.isdigit() and len(text) < 10 else -1
    except ValueError:
        return -1


def read_limits(words):
    """Give (limits, CRC) from the words of a limits line, or None when one is missing, unknown or out of range."""
    limits = {}
    for word in words:
        name, _, value = word.partition("=")
        if name not in LIMITS or name in limits or not LIMITS[name][1] <= whole(value) <= LIMITS[name][2]:
            return None
        limits[name] = whole(value)
    if len(limits) != len(LIMITS) or not limits["trip_us"] <= limits["cap_us"] <= limits["slow_us"]:
        return None
    return limits, crc(" ".join(words).encode())


def looser(old, new):
    """Tell whether any limit of new is looser than in old."""
    for name in LIMITS:
        sign, step = LIMITS[name][0], new[name] - old[name]
        if step * sign > 0 or (sign == 0 and step != 0):
            return True
    return False
