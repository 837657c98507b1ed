-- What tools are worth and what follows: the second part of the schema.

CREATE INDEX judgements_by_tool ON judgements (tool, id);
CREATE INDEX voids_by_reading ON voids (reading);

-- A tool's judgements by columns, 4,096 in a row, so that a million of them can
-- be looked through at once; toolpulls.go has the form. Those not yet packed are
-- in judgements alone.
CREATE TABLE tool_pulls (
  tool TEXT NOT NULL,
  block INTEGER NOT NULL,     -- 0, 1, 2 …
  first_id INTEGER NOT NULL,  -- judgements.id
  last_id INTEGER NOT NULL,
  first_us INTEGER NOT NULL,  -- smallest and greatest at_us
  last_us INTEGER NOT NULL,
  pulls BLOB NOT NULL,
  PRIMARY KEY (tool, block)
) STRICT;

CREATE TABLE tool_tallies (
  tool TEXT PRIMARY KEY,
  judged INTEGER NOT NULL     -- judgements, those of voided readings too
) STRICT, WITHOUT ROWID;

CREATE TABLE recalls (
  id INTEGER PRIMARY KEY,
  recall TEXT NOT NULL,
  tool TEXT NOT NULL,
  good TEXT NOT NULL,         -- JSON: when it was last known good, and what it deviated
  bad TEXT NOT NULL,          -- JSON: the same of when it was found bad
  position INTEGER NOT NULL,  -- journal sequence up to which the list was made
  least REAL NOT NULL,        -- probability at the worst from which a reading is listed
  in_span INTEGER NOT NULL,
  in_doubt INTEGER NOT NULL,
  total INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  closed_id INTEGER NOT NULL, -- 0: open
  closed_by TEXT NOT NULL,
  closed_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX recalls_by_name ON recalls (recall);
CREATE INDEX recalls_by_tool ON recalls (tool);
CREATE INDEX recalls_open ON recalls (id) WHERE closed_id = 0;

CREATE TABLE recall_lines (
  recall TEXT NOT NULL,
  line INTEGER NOT NULL,
  id INTEGER NOT NULL,        -- of the outcome that listed it
  reading INTEGER NOT NULL,   -- readings.seq; its judgement stays as it is
  job TEXT NOT NULL,
  unit_serial TEXT NOT NULL,
  customer TEXT NOT NULL,
  procedure TEXT NOT NULL,
  revision TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  fastener TEXT NOT NULL,
  class TEXT NOT NULL,
  status TEXT NOT NULL,       -- of the job when the list was made
  verdict TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  lsl_base REAL,
  usl_base REAL,
  at_us INTEGER NOT NULL,
  time_deviation REAL NOT NULL, -- %, the deviation taken of the tool by time
  time_true REAL NOT NULL,      -- base unit
  time_p REAL NOT NULL,         -- probability of having been outside
  cycles_deviation REAL NOT NULL,
  cycles_true REAL NOT NULL,
  cycles_p REAL NOT NULL,
  worst_deviation REAL NOT NULL,
  worst_true REAL NOT NULL,
  worst_p REAL NOT NULL,
  closed_id INTEGER NOT NULL, -- 0: open
  how TEXT NOT NULL,
  proof INTEGER NOT NULL,     -- readings.seq of the re-torque; 0: none here
  closed_by TEXT NOT NULL,
  closed_reason TEXT NOT NULL,
  closed_at_us INTEGER NOT NULL,
  PRIMARY KEY (recall, line)
) STRICT, WITHOUT ROWID;
CREATE INDEX recall_lines_by_job ON recall_lines (job);
CREATE INDEX recall_lines_by_unit ON recall_lines (unit_serial);

CREATE TABLE drift_signals (
  id INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  dim INTEGER NOT NULL,
  point_base REAL,
  direction TEXT NOT NULL,
  source TEXT NOT NULL,       -- the calibration, check or certificate that showed it
  rule TEXT NOT NULL,
  high INTEGER NOT NULL,
  since_us INTEGER NOT NULL,
  value REAL NOT NULL,
  centre REAL NOT NULL,
  sd REAL NOT NULL,
  arl0 REAL NOT NULL,
  arl1 REAL NOT NULL,
  shift REAL NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX drift_signals_by_tool ON drift_signals (tool);

CREATE TABLE suspicions (
  id INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  factor REAL NOT NULL,
  lower REAL NOT NULL,
  upper REAL NOT NULL,
  pulls INTEGER NOT NULL,
  visits INTEGER NOT NULL,
  peers INTEGER NOT NULL,
  z REAL NOT NULL,
  bound REAL NOT NULL,
  false_p REAL NOT NULL,
  why TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX suspicions_by_tool ON suspicions (tool);

CREATE TABLE sample_means ( -- of each run of samples of a streaming tool
  seq INTEGER PRIMARY KEY,
  tool TEXT NOT NULL,
  unit TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  n INTEGER NOT NULL,
  mean_in_unit REAL NOT NULL,
  sd_in_unit REAL NOT NULL    -- 0 of one sample
) STRICT;
CREATE INDEX sample_means_by_tool ON sample_means (tool);
