-- The ledger's tables of the register of tools: whereabouts, calibrations,
-- checks. Keys, times and values are as in schema.sql.

CREATE TABLE tool_moves ( -- state and whereabouts of a tool from then on
  id INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  state TEXT NOT NULL,        -- in_use, quarantined, away, retired
  place TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX tool_moves_by_tool ON tool_moves (tool);

CREATE TABLE tool_adjustments ( -- its series of deviations breaks here
  id INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  what TEXT NOT NULL,
  by_person TEXT NOT NULL,
  cycles INTEGER NOT NULL,    -- of the tool, by the journal
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX tool_adjustments_by_tool ON tool_adjustments (tool);

CREATE TABLE tool_overloads ( -- cycles beyond the tool's range
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  tool TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  status TEXT NOT NULL,       -- the tool's word
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX tool_overloads_by_tool ON tool_overloads (tool);

CREATE TABLE tool_overrides ( -- a refused tool, let be used for one job
  id INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  job TEXT NOT NULL,
  was TEXT NOT NULL,          -- why it is refused
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX tool_overrides_by_job ON tool_overrides (job);
CREATE INDEX tool_overrides_by_tool ON tool_overrides (tool);

CREATE TABLE readings_assigned ( -- which tool took a reading of an unregistered one
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  tool TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX readings_assigned_by_reading ON readings_assigned (reading);
CREATE INDEX readings_assigned_by_tool ON readings_assigned (tool);

CREATE TABLE readings_passed_over ( -- came during a calibration or check and were not taken into it
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  calibration TEXT NOT NULL,
  checked TEXT NOT NULL,      -- the quick check
  tool TEXT NOT NULL,
  taker TEXT NOT NULL,        -- whose reading it is
  dim INTEGER NOT NULL,
  value_base REAL,
  text TEXT NOT NULL,
  unit TEXT NOT NULL,
  why TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX readings_passed_over_by_tool ON readings_passed_over (tool);

-- Pairs are JSON arrays of what package events calls CalibrationPair.
CREATE TABLE calibrations_opened (
  id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL,
  tool TEXT NOT NULL,
  reference TEXT NOT NULL,
  bench TEXT NOT NULL,
  phase TEXT NOT NULL,        -- found, left
  rule TEXT NOT NULL,
  plan TEXT NOT NULL,         -- pairs
  setting INTEGER NOT NULL,
  within_us INTEGER NOT NULL,
  notes TEXT NOT NULL,        -- JSON array of lines
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX calibrations_opened_by_tool ON calibrations_opened (tool);

CREATE TABLE calibration_pairs ( -- taken; a later one of the same place holds
  id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL,
  tool TEXT NOT NULL,
  place INTEGER NOT NULL,     -- in the plan
  pair TEXT NOT NULL,         -- JSON
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX calibration_pairs_by_calibration ON calibration_pairs (calibration);

CREATE TABLE calibration_undos (
  id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL,
  tool TEXT NOT NULL,
  place INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX calibration_undos_by_calibration ON calibration_undos (calibration);

CREATE TABLE calibrations ( -- judged
  id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL,
  tool TEXT NOT NULL,
  reference TEXT NOT NULL,
  bench TEXT NOT NULL,
  phase TEXT NOT NULL,
  rule TEXT NOT NULL,
  pairs TEXT NOT NULL,
  k REAL NOT NULL,
  standing TEXT NOT NULL,     -- good, doubt, bad, unknown
  notes TEXT NOT NULL,
  curve TEXT NOT NULL,        -- JSON, of an indicator; '' for none
  date TEXT NOT NULL,
  due TEXT NOT NULL,
  cycles INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX calibrations_by_tool ON calibrations (tool);
CREATE INDEX calibrations_by_name ON calibrations (calibration);

CREATE TABLE certificates ( -- of outside laboratories
  id INTEGER PRIMARY KEY,
  certificate TEXT NOT NULL,
  tool TEXT NOT NULL,
  laboratory TEXT NOT NULL,
  phase TEXT NOT NULL,
  date TEXT NOT NULL,
  due TEXT NOT NULL,
  k REAL NOT NULL,
  standing TEXT NOT NULL,
  file TEXT NOT NULL,
  file_hash TEXT NOT NULL,
  file_size INTEGER NOT NULL, -- bytes
  notes TEXT NOT NULL,
  cycles INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX certificates_by_tool ON certificates (tool);

CREATE TABLE calibration_points ( -- results of calibrations and certificates
  id INTEGER NOT NULL,        -- of the calibration or certificate
  place INTEGER NOT NULL,     -- order in it
  tool TEXT NOT NULL,
  phase TEXT NOT NULL,
  dim INTEGER NOT NULL,
  point_base REAL,
  direction TEXT NOT NULL,
  n INTEGER NOT NULL,
  unit TEXT NOT NULL,         -- of the figures that follow: % or a length
  deviation REAL NOT NULL,
  least REAL NOT NULL,
  most REAL NOT NULL,
  u REAL NOT NULL,
  permitted REAL NOT NULL,
  accept REAL NOT NULL,
  p REAL NOT NULL,
  standing TEXT NOT NULL,
  budget TEXT NOT NULL,       -- JSON array of lines of the uncertainty budget
  PRIMARY KEY (id, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX calibration_points_by_tool ON calibration_points (tool);

CREATE TABLE calibrations_dropped (
  id INTEGER PRIMARY KEY,
  calibration TEXT NOT NULL,
  tool TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX calibrations_dropped_by_tool ON calibrations_dropped (tool);

CREATE TABLE checks_opened (
  id INTEGER PRIMARY KEY,
  checked TEXT NOT NULL,
  tool TEXT NOT NULL,
  reference TEXT NOT NULL,
  bench TEXT NOT NULL,
  dim INTEGER NOT NULL,
  point_base REAL,
  pulls INTEGER NOT NULL,
  setting INTEGER NOT NULL,
  within_us INTEGER NOT NULL,
  notes TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX checks_opened_by_tool ON checks_opened (tool);

CREATE TABLE check_pairs ( -- taken; a later one of the same place holds
  id INTEGER PRIMARY KEY,
  checked TEXT NOT NULL,
  tool TEXT NOT NULL,
  place INTEGER NOT NULL,
  pair TEXT NOT NULL,         -- JSON
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX check_pairs_by_check ON check_pairs (checked);

CREATE TABLE checks ( -- judged; figures in % of the reference
  id INTEGER PRIMARY KEY,
  checked TEXT NOT NULL,
  tool TEXT NOT NULL,
  reference TEXT NOT NULL,
  bench TEXT NOT NULL,
  dim INTEGER NOT NULL,
  point_base REAL,
  deviations TEXT NOT NULL,   -- JSON array
  deviation REAL NOT NULL,    -- mean
  u REAL NOT NULL,            -- expanded, k = 2
  permitted REAL NOT NULL,
  expected REAL NOT NULL,     -- from the tool's own history
  room REAL NOT NULL,
  history INTEGER NOT NULL,   -- checks that it was compared with
  standing TEXT NOT NULL,
  unusual INTEGER NOT NULL,
  why TEXT NOT NULL,
  notes TEXT NOT NULL,
  cycles INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX checks_by_tool ON checks (tool);

CREATE TABLE checks_dropped (
  id INTEGER PRIMARY KEY,
  checked TEXT NOT NULL,
  tool TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX checks_dropped_by_tool ON checks_dropped (tool);
