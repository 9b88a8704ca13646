"""Tables of the embedded store, and how a value becomes an integer.

``hot`` holds the last one to two days in order of time, so that a scan of all probes touches a page or two; ``readings``
holds everything older in order of probe, so that a year of one probe is read in one go. ``marks.watermark`` parts them:
every reading at or after it is hot, every one before it is not; it always stands on a full hour.

An hour with readings is either in ``hours``, rolled up from all of them, or in ``touched`` and counted from raw when
asked for. That holds at every commit, whatever any clock says.
"""

from __future__ import annotations

STEPS = (
    """CREATE TABLE probes (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE hot (
        at_ms INTEGER NOT NULL, probe INTEGER NOT NULL, temp INTEGER, rh INTEGER, PRIMARY KEY (at_ms, probe)
    ) WITHOUT ROWID;
    CREATE TABLE readings (
        probe INTEGER NOT NULL, at_ms INTEGER NOT NULL, temp INTEGER, rh INTEGER, PRIMARY KEY (probe, at_ms)
    ) WITHOUT ROWID;
    CREATE TABLE hours (
        probe INTEGER NOT NULL, hour INTEGER NOT NULL, n_temp INTEGER NOT NULL, n_rh INTEGER NOT NULL,
        temp_sum INTEGER, temp_min INTEGER, temp_max INTEGER, rh_sum INTEGER, rh_min INTEGER, rh_max INTEGER,
        PRIMARY KEY (probe, hour)
    ) WITHOUT ROWID;
    CREATE TABLE touched (probe INTEGER NOT NULL, hour INTEGER NOT NULL, PRIMARY KEY (probe, hour)) WITHOUT ROWID;
    CREATE TABLE latest (probe INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, temp INTEGER, rh INTEGER);
    CREATE TABLE marks (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
    INSERT INTO marks VALUES ('watermark', -4611686018427387904), ('count', 0)""",
)

# A step of 1/1000 is 2.7 times finer than the sensor's own, 175/65535 °C and 100/65535 %, so no reading loses any of it.
PER_UNIT = 1000

PUT = {
    "hot": "INSERT OR IGNORE INTO hot (at_ms, probe, temp, rh) VALUES (?2, ?1, ?3, ?4)",
    "readings": "INSERT OR IGNORE INTO readings (probe, at_ms, temp, rh) VALUES (?1, ?2, ?3, ?4)",
}
# Strictly newer, so that a repeated reading changes nothing and a late one does not become the latest.
PUT_LATEST = """INSERT INTO latest VALUES (?, ?, ?, ?) ON CONFLICT (probe) DO UPDATE SET
    at_ms = excluded.at_ms, temp = excluded.temp, rh = excluded.rh WHERE excluded.at_ms > latest.at_ms"""
LATEST = "SELECT name, at_ms, temp, rh FROM latest CROSS JOIN probes ON probes.id = latest.probe"

_SUMS = """count(temp), count(rh), sum(temp), min(temp), max(temp), sum(rh), min(rh), max(rh)"""
# CROSS JOIN fixes the order: first the few touched hours, then the readings in each by their key.
ROLL_UP = {
    table: f"""SELECT t.probe, t.hour, {_SUMS} FROM ({{touched}}) t CROSS JOIN {table} r
    ON r.probe = t.probe AND r.at_ms >= t.hour * 3600000 AND r.at_ms < t.hour * 3600000 + 3600000
    GROUP BY t.probe, t.hour"""
    for table in ("hot", "readings")
}
ROLL_UP_HOT_HOUR = f"""INSERT OR REPLACE INTO hours SELECT probe, ?1, {_SUMS} FROM hot
    WHERE at_ms >= ?1 * 3600000 AND at_ms < ?1 * 3600000 + 3600000 GROUP BY probe"""
CLOSED_HOURS = """SELECT * FROM hours h WHERE probe = ?1 AND hour >= ?2 AND hour < ?3
    AND NOT EXISTS (SELECT 1 FROM touched t WHERE t.probe = h.probe AND t.hour = h.hour)"""
TOUCHED_OF_PROBE = "SELECT probe, hour FROM touched WHERE probe = ?1 AND hour >= ?2 AND hour < ?3"
_START = "hour - (hour % ?4 + ?4) % ?4"  # rounds down before 1970 too
STEPS_OF_HOURS = f"""SELECT probe, {_START} AS start, sum(n_temp), sum(n_rh), sum(temp_sum), min(temp_min), max(temp_max),
    sum(rh_sum), min(rh_min), max(rh_max) FROM (
        {" UNION ALL ".join([CLOSED_HOURS, *(each.format(touched=TOUCHED_OF_PROBE) for each in ROLL_UP.values())])}
    ) GROUP BY start ORDER BY start"""

WINDOW = """SELECT at_ms, name, temp, rh FROM probes CROSS JOIN readings ON readings.probe = probes.id
    WHERE at_ms >= ?1 AND at_ms < ?2
    UNION ALL SELECT at_ms, name, temp, rh FROM hot CROSS JOIN probes ON probes.id = hot.probe
    WHERE at_ms >= ?1 AND at_ms < ?2"""
NEXT_READING = """SELECT min(at_ms) FROM (
    SELECT (SELECT min(at_ms) FROM readings WHERE readings.probe = probes.id AND at_ms >= ?1) AS at_ms FROM probes
    UNION ALL SELECT (SELECT min(at_ms) FROM hot WHERE at_ms >= ?1))"""
