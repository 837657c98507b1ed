-- The ledger: what the journal says, in tables that can be asked. Every row
-- comes from the journal and from nothing else, so the file can be deleted and
-- built again, and comes out the same.
--
-- Keys: seq is the journal sequence of the event that a row holds. id is the
-- place of an outcome: the journal sequence of its decision times 65,536, plus
-- its index in the decision. Both only grow, so rows are appended.
-- Times: integer microseconds since 1970-01-01 UTC; 0: not known, not yet.
-- Values: *_base is in the base unit of the row's dim, which is 1 torque (N·m),
-- 2 angle (°), 3 length (mm), 4 force (N); NULL and dim 0: none. text and unit
-- are what the tool sent. Empty text: none. Flags are 0 or 1.

CREATE TABLE position ( -- how far the journal is in here; one row
  one INTEGER PRIMARY KEY CHECK (one = 1),
  seq INTEGER NOT NULL,       -- last journal sequence applied; 0: none
  source TEXT NOT NULL,       -- identity of that event, to know it again
  number INTEGER NOT NULL,
  event_at_us INTEGER NOT NULL
) STRICT;
INSERT INTO position VALUES (1, 0, '', 0, 0);

CREATE TABLE holes ( -- journal sequences that were missing when applied
  first INTEGER PRIMARY KEY,
  last INTEGER NOT NULL
) STRICT;

CREATE TABLE rules_versions ( -- which rules decided from this decision on
  seq INTEGER PRIMARY KEY,
  version TEXT NOT NULL
) STRICT;

CREATE TABLE readings (
  seq INTEGER PRIMARY KEY,
  number INTEGER NOT NULL,    -- in the device's source
  device TEXT NOT NULL,
  tool TEXT NOT NULL,
  bench TEXT NOT NULL,
  mode TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  text TEXT NOT NULL,
  unit TEXT NOT NULL,
  unit_assumed INTEGER NOT NULL,
  resolution_base REAL,
  angle_deg REAL,
  duration_us INTEGER NOT NULL,
  trace_samples INTEGER NOT NULL, -- of the whole pull; 0: the tool gave none. The trace itself stays in the journal
  stroke_samples INTEGER NOT NULL, -- likewise of a pressing
  tool_counter INTEGER,
  tool_status TEXT NOT NULL,
  tool_clock TEXT NOT NULL,
  taken_at_us INTEGER NOT NULL, -- 0: not known
  received_at_us INTEGER NOT NULL,
  stale INTEGER NOT NULL,
  profile TEXT NOT NULL,
  bytes BLOB,                 -- the frame; NULL also where it holds a trace: then it is in the journal alone
  byte_offset INTEGER NOT NULL,
  typed_by TEXT NOT NULL,
  typed_for TEXT NOT NULL
) STRICT;
CREATE INDEX readings_by_tool ON readings (tool, received_at_us);

CREATE TABLE judgements (
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,   -- readings.seq
  cause INTEGER NOT NULL,     -- seq of the fact decided on: the reading itself, or a request
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  fastener TEXT NOT NULL,
  verdict TEXT NOT NULL,
  grade TEXT NOT NULL,
  p REAL NOT NULL,            -- of a reasoned grade: probability that the fastener is tight by this pull
  dim INTEGER NOT NULL,
  value_base REAL,
  text TEXT NOT NULL,
  unit TEXT NOT NULL,
  lsl_base REAL,
  target_base REAL,
  usl_base REAL,
  u_base REAL,
  angle_deg REAL,
  tool TEXT NOT NULL,
  calibrated TEXT NOT NULL,   -- date
  bench TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  claimed TEXT NOT NULL,      -- reason, if a person assigned the reading
  typed INTEGER NOT NULL,     -- a person read the tool by eye and typed the value
  held INTEGER NOT NULL,      -- the fastener is held until a lead decides
  next_fastener TEXT NOT NULL,
  class TEXT NOT NULL         -- consequence class of the joint; '' unknown
) STRICT;
CREATE INDEX judgements_by_job ON judgements (job);
CREATE INDEX judgements_by_reading ON judgements (reading);

CREATE TABLE voids (
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  fastener TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX voids_by_job ON voids (job);

CREATE TABLE unplaced ( -- readings that belonged to nothing that was open
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  bench TEXT NOT NULL,
  job TEXT NOT NULL,
  tool TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  text TEXT NOT NULL,
  unit TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  angle_deg REAL,
  by_person TEXT NOT NULL,
  alert TEXT NOT NULL,        -- alerts.alert that asks what it was
  why TEXT NOT NULL,
  fate TEXT NOT NULL,         -- '' open, 'claimed', 'dismissed'
  fate_id INTEGER NOT NULL,   -- id of the outcome that ended it
  fate_job TEXT NOT NULL,     -- for a claimed one
  fate_by TEXT NOT NULL,
  fate_reason TEXT NOT NULL,
  fate_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX unplaced_by_reading ON unplaced (reading);
CREATE INDEX unplaced_by_job ON unplaced (job);
CREATE INDEX unplaced_by_fate_job ON unplaced (fate_job) WHERE fate_job <> '';
CREATE INDEX unplaced_open ON unplaced (id) WHERE fate = '';

CREATE TABLE frames_refused (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  tool TEXT NOT NULL,
  bench TEXT NOT NULL,
  bytes BLOB,
  byte_offset INTEGER NOT NULL,
  reason TEXT NOT NULL,
  detail TEXT NOT NULL,
  profile TEXT NOT NULL,
  received_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX frames_refused_by_device ON frames_refused (device);

CREATE TABLE frames_repeated (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  of_number INTEGER NOT NULL,
  tool_counter INTEGER NOT NULL,
  bytes BLOB,
  received_at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE counter_gaps (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  tool TEXT NOT NULL,
  bench TEXT NOT NULL,
  after_counter INTEGER NOT NULL,
  next_counter INTEGER NOT NULL,
  restart INTEGER NOT NULL,
  received_at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE links (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  bench TEXT NOT NULL,
  port TEXT NOT NULL,
  state TEXT NOT NULL,
  detail TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX links_by_device ON links (device);

CREATE TABLE samples ( -- summaries; the samples themselves stay in the journal
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  tool TEXT NOT NULL,
  bench TEXT NOT NULL,
  unit TEXT NOT NULL,
  samples INTEGER NOT NULL,
  least_in_unit REAL,
  most_in_unit REAL,
  first_at_us INTEGER NOT NULL,
  last_at_us INTEGER NOT NULL,
  status TEXT NOT NULL -- what the tool said of itself, if its values could not be relied on
) STRICT;

CREATE TABLE devices ( -- tallies of each device
  device TEXT PRIMARY KEY,
  readings INTEGER NOT NULL,
  refused INTEGER NOT NULL,
  repeated INTEGER NOT NULL,
  gaps INTEGER NOT NULL,
  last_reading INTEGER NOT NULL, -- readings.seq; 0: none
  last_refused INTEGER NOT NULL, -- frames_refused.seq; 0: none
  last_link INTEGER NOT NULL     -- links.seq; 0: none
) STRICT, WITHOUT ROWID;

CREATE TABLE totals ( -- counts over the whole journal
  what TEXT NOT NULL,         -- event, outcome, verdict, grade, alert, set_aside, residual, loose_end, shim_check, refused_frame, refused_request
  label TEXT NOT NULL,        -- written type, verdict, kind, code
  n INTEGER NOT NULL,
  PRIMARY KEY (what, label)
) STRICT, WITHOUT ROWID;

CREATE TABLE asks ( -- who asked for what
  seq INTEGER PRIMARY KEY,
  request TEXT NOT NULL,      -- written type without prefix and version
  job TEXT NOT NULL,
  by_person TEXT NOT NULL,
  bench TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE requests_refused (
  id INTEGER PRIMARY KEY,
  ask INTEGER NOT NULL,       -- asks.seq
  request TEXT NOT NULL,
  job TEXT NOT NULL,
  code TEXT NOT NULL,
  text TEXT NOT NULL,
  todo TEXT NOT NULL,
  items TEXT NOT NULL,        -- JSON array of lines
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX requests_refused_by_job ON requests_refused (job);

CREATE TABLE shops ( -- each adoption of a shop description
  id INTEGER PRIMARY KEY,
  shop TEXT NOT NULL,
  name TEXT NOT NULL,
  torque_unit TEXT NOT NULL,
  length_unit TEXT NOT NULL,
  hash TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE benches (
  adopted INTEGER NOT NULL,   -- shops.id
  place INTEGER NOT NULL,     -- order in the shop file
  bench TEXT NOT NULL,
  name TEXT NOT NULL,
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE people (
  adopted INTEGER NOT NULL,
  place INTEGER NOT NULL,
  person TEXT NOT NULL,
  name TEXT NOT NULL,
  role TEXT NOT NULL,
  badge TEXT NOT NULL,
  code TEXT NOT NULL,
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE tools (
  adopted INTEGER NOT NULL,
  place INTEGER NOT NULL,
  tool TEXT NOT NULL,
  name TEXT NOT NULL,
  kind TEXT NOT NULL,
  serial TEXT NOT NULL,
  dim INTEGER NOT NULL,
  least_base REAL,
  most_base REAL,
  u_rel_ratio REAL NOT NULL,
  u_abs_base REAL,
  reports_angle INTEGER NOT NULL,
  reports_duration INTEGER NOT NULL,
  reports_trace INTEGER NOT NULL,
  angle_step_deg REAL,
  threshold_base REAL,
  counts_sent INTEGER NOT NULL, -- its counter numbers what it sent
  counts_cycles INTEGER NOT NULL, -- its counter numbers every cycle
  late INTEGER NOT NULL,          -- readings may come long after their pulls
  calibrated TEXT NOT NULL,   -- date
  due TEXT NOT NULL,          -- date
  class TEXT NOT NULL,        -- type and class by ISO 6789-1
  design TEXT NOT NULL,       -- of an indicator
  resolution_base REAL,
  owner TEXT NOT NULL,
  kept_at TEXT NOT NULL,
  interval_months INTEGER NOT NULL, -- 0: as usual for its kind; below 0: none
  interval_cycles INTEGER NOT NULL,
  reference INTEGER NOT NULL, -- it is a bench reference
  certificate TEXT NOT NULL,
  max_deviation_ratio REAL NOT NULL, -- 0: that of its class
  max_error_base REAL,
  limit_source TEXT NOT NULL,
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE shop_devices (
  adopted INTEGER NOT NULL,
  place INTEGER NOT NULL,
  device TEXT NOT NULL,
  tool TEXT NOT NULL,
  bench TEXT NOT NULL,
  profile TEXT NOT NULL,
  port TEXT NOT NULL,
  usb_vendor TEXT NOT NULL,
  usb_product TEXT NOT NULL,
  usb_serial TEXT NOT NULL,
  box TEXT NOT NULL,          -- bench box that it is plugged into; '' for the shop's own machine
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE shop_boxes (
  adopted INTEGER NOT NULL,
  place INTEGER NOT NULL,
  box TEXT NOT NULL,
  key TEXT NOT NULL,          -- public nkey
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE shim_drawers ( -- as the shop file names them
  adopted INTEGER NOT NULL,
  place INTEGER NOT NULL,
  drawer TEXT NOT NULL,
  name TEXT NOT NULL,
  low INTEGER NOT NULL,       -- fewer than so many are too few; 0: never
  pieces TEXT NOT NULL,       -- JSON, as in the event; what lay there when first named
  PRIMARY KEY (adopted, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE shim_stock ( -- each change of a drawer
  id INTEGER PRIMARY KEY,
  drawer TEXT NOT NULL,
  piece TEXT NOT NULL,        -- JSON, as in the event
  thickness_mm REAL,          -- nominal
  count INTEGER NOT NULL,     -- now
  was INTEGER NOT NULL,
  change TEXT NOT NULL,       -- received, counted, taken, fitted, returned
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX shim_stock_by_drawer ON shim_stock (drawer);

CREATE TABLE shim_steps ( -- how shim steps were done
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  kind TEXT NOT NULL,         -- found, proposed, fitted, checked
  reading INTEGER NOT NULL,   -- that it rests on; 0: none
  text TEXT NOT NULL,
  by_person TEXT NOT NULL,
  body TEXT NOT NULL,         -- JSON of the outcome, whole
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX shim_steps_by_job ON shim_steps (job);

CREATE TABLE procedures (
  id INTEGER PRIMARY KEY,
  procedure TEXT NOT NULL,
  revision TEXT NOT NULL,
  title TEXT NOT NULL,
  hash TEXT NOT NULL,
  text TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX procedures_by_name ON procedures (procedure, revision);

CREATE TABLE jobs (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL UNIQUE,
  unit_serial TEXT NOT NULL,
  customer TEXT NOT NULL,
  procedure TEXT NOT NULL,
  revision TEXT NOT NULL,
  hash TEXT NOT NULL,
  weighed INTEGER NOT NULL,   -- its pulls are weighed by evidence
  opened_bench TEXT NOT NULL,
  opened_by TEXT NOT NULL,
  opened_at_us INTEGER NOT NULL,
  status TEXT NOT NULL,       -- active, paused, released, abandoned
  bench TEXT NOT NULL,        -- where it is, or was last
  technician TEXT NOT NULL,
  ended_by TEXT NOT NULL,
  ended_at_us INTEGER NOT NULL,
  end_reason TEXT NOT NULL
) STRICT;
CREATE INDEX jobs_by_status ON jobs (status);
CREATE INDEX jobs_by_unit ON jobs (unit_serial);

CREATE TABLE job_events (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  kind TEXT NOT NULL,         -- opened, paused, resumed, handed_over, released, abandoned, clock_stepped, shop_restored
  by_person TEXT NOT NULL,
  to_person TEXT NOT NULL,
  bench TEXT NOT NULL,
  note TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX job_events_by_job ON job_events (job);

CREATE TABLE step_events (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  kind TEXT NOT NULL,         -- finished, reopened
  by_person TEXT NOT NULL,
  note TEXT NOT NULL,         -- what was attested, or why it is open again
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX step_events_by_job ON step_events (job);

CREATE TABLE pointings ( -- at which fastener the next pull would be
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  fastener TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX pointings_by_job ON pointings (job);

CREATE TABLE deviations (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  fastener TEXT NOT NULL,
  was TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX deviations_by_job ON deviations (job);

CREATE TABLE resets (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  fastener TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX resets_by_job ON resets (job);

CREATE TABLE alerts (
  id INTEGER PRIMARY KEY,
  alert TEXT NOT NULL,
  kind TEXT NOT NULL,
  bench TEXT NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  fasteners TEXT NOT NULL,    -- JSON array of ids
  items TEXT NOT NULL,        -- JSON array of ids: loose ends, items of the step, or steps
  tool TEXT NOT NULL,
  reading INTEGER NOT NULL,
  likely TEXT NOT NULL,       -- JSON array of [fastener, p that it was left out, grade], most probable first
  p REAL NOT NULL,            -- of what it says, where it was inferred; 0: it was not
  text TEXT NOT NULL,
  todo TEXT NOT NULL,
  blocks INTEGER NOT NULL,
  at_us INTEGER NOT NULL,
  seen_id INTEGER NOT NULL,   -- id of the first acknowledgement; 0: nobody has
  seen_by TEXT NOT NULL,
  seen_at_us INTEGER NOT NULL,
  settled_id INTEGER NOT NULL, -- id of the outcome that settled it; 0: open
  settled_by TEXT NOT NULL,
  settled_how TEXT NOT NULL,
  settled_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX alerts_by_name ON alerts (alert);
CREATE INDEX alerts_by_job ON alerts (job);
CREATE INDEX alerts_open ON alerts (id) WHERE settled_id = 0;

-- What a pull probably was. A later row about the same reading takes the place
-- of an earlier one, which stays, so that a changed reading shows.
CREATE TABLE pulls_weighed (
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  explanations TEXT NOT NULL, -- JSON array of [fastener, p, kind], most probable first
  tool TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  torque_nm REAL,
  angle_deg REAL,
  duration_us INTEGER NOT NULL,
  trace TEXT NOT NULL,        -- JSON of what the trace's evaluation found; '' without one
  placed TEXT NOT NULL,       -- the fastener that somebody pointed at
  numbered INTEGER NOT NULL,  -- the tool's counter tells it from the one before
  late INTEGER NOT NULL,      -- its time is no evidence
  lost INTEGER NOT NULL       -- cycles that the tool's counter says were lost just before
) STRICT;
CREATE INDEX pulls_weighed_by_job ON pulls_weighed (job);

CREATE TABLE witnesses_weighed ( -- how sure each fastener of a step is; the last of a step and pass holds
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  fasteners TEXT NOT NULL,    -- JSON array of [fastener, p that it is tight, grade], in drawing order
  all_tight REAL NOT NULL
) STRICT;
CREATE INDEX witnesses_weighed_by_job ON witnesses_weighed (job);

CREATE TABLE pulls_aside ( -- pulls that count for no fastener and of which nothing is asked
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  kind TEXT NOT NULL,
  fastener TEXT NOT NULL,     -- the most probable one
  p REAL NOT NULL,            -- of kind
  why TEXT NOT NULL,
  bench TEXT NOT NULL,
  tool TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  text TEXT NOT NULL,
  unit TEXT NOT NULL,
  angle_deg REAL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  fate TEXT NOT NULL,         -- '' still aside, 'claimed', 'counted', 'dismissed'
  fate_id INTEGER NOT NULL,   -- id of the outcome that ended it
  fate_by TEXT NOT NULL,
  fate_reason TEXT NOT NULL,
  fate_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX pulls_aside_by_job ON pulls_aside (job);
CREATE INDEX pulls_aside_by_reading ON pulls_aside (reading);

CREATE TABLE questions (
  id INTEGER PRIMARY KEY,
  question TEXT NOT NULL,
  job TEXT NOT NULL,
  bench TEXT NOT NULL,
  step TEXT NOT NULL,
  pass INTEGER NOT NULL,
  reading INTEGER NOT NULL,
  text TEXT NOT NULL,
  choices TEXT NOT NULL,      -- JSON array
  at_us INTEGER NOT NULL,
  settled_id INTEGER NOT NULL, -- id of the outcome that settled it; 0: open
  settled_by TEXT NOT NULL,   -- who answered
  settled_choice TEXT NOT NULL, -- key of the answer
  settled_how TEXT NOT NULL,
  settled_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX questions_by_name ON questions (question);
CREATE INDEX questions_by_job ON questions (job);
CREATE INDEX questions_open ON questions (id) WHERE settled_id = 0;

CREATE TABLE cycles_lost ( -- pulls that a tool made in a step and that did not arrive
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  tool TEXT NOT NULL,
  cycles INTEGER NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX cycles_lost_by_job ON cycles_lost (job);

CREATE TABLE learning_forgotten ( -- what was learned about a step's joint no longer counts
  id INTEGER PRIMARY KEY,
  procedure TEXT NOT NULL,
  step TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE residual_audits ( -- opened; residuals has what they found
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  fastener TEXT NOT NULL,
  method TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX residual_audits_by_job ON residual_audits (job);

CREATE TABLE residuals ( -- never a witness
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  fastener TEXT NOT NULL,
  method TEXT NOT NULL,
  residual_nm REAL,
  u_nm REAL,
  installed_nm REAL,
  low_nm REAL,                -- least residual that agrees with the installation
  high_nm REAL,               -- greatest
  agrees INTEGER NOT NULL,
  text TEXT NOT NULL,
  tool TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX residuals_by_job ON residuals (job);

CREATE TABLE loose_ends ( -- opened; loose_end_fates has what became of them
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  loose_end TEXT NOT NULL,
  step TEXT NOT NULL,
  what TEXT NOT NULL,
  closes TEXT NOT NULL,       -- the evidence that closes it, in words
  who TEXT NOT NULL,          -- who may close it by a word: '' anyone, second_person, lead
  adhoc INTEGER NOT NULL,     -- not of the procedure
  seq INTEGER NOT NULL,       -- of the fact that opened it
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX loose_ends_by_job ON loose_ends (job);

CREATE TABLE loose_end_fates (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  loose_end TEXT NOT NULL,
  kind TEXT NOT NULL,         -- closed, reopened
  how TEXT NOT NULL,          -- what closed it, or why it is open again
  answer TEXT NOT NULL,
  readings TEXT NOT NULL,     -- JSON array of readings.seq that are the evidence
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX loose_end_fates_by_job ON loose_end_fates (job);

CREATE TABLE items ( -- answers to what steps ask for; the last for an item holds
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  item TEXT NOT NULL,
  kind TEXT NOT NULL,         -- mark, match, facing, stop, sealant, grease
  what TEXT NOT NULL,
  answer TEXT NOT NULL,
  other TEXT NOT NULL,        -- the other way of a stop check
  wanted TEXT NOT NULL,
  good INTEGER NOT NULL,
  text TEXT NOT NULL,
  remark TEXT NOT NULL,
  photo TEXT NOT NULL,        -- id of a stored photo
  readings TEXT NOT NULL,     -- JSON array of readings.seq
  dim INTEGER NOT NULL,
  travel_base REAL,           -- free travel of a stop check
  from_us INTEGER NOT NULL,   -- when sealant was applied
  until_us INTEGER NOT NULL,  -- end of its open time
  warn_us INTEGER NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX items_by_job ON items (job);

CREATE TABLE item_decisions ( -- a lead's, on an item that differs
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  item TEXT NOT NULL,
  choice TEXT NOT NULL,       -- accept, redo
  was TEXT NOT NULL,
  by_person TEXT NOT NULL,
  reason TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX item_decisions_by_job ON item_decisions (job);

CREATE TABLE sealants_closed ( -- the last bolt of the joint is tight on sealant
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  item TEXT NOT NULL,
  in_time INTEGER NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX sealants_closed_by_job ON sealants_closed (job);

CREATE TABLE holds ( -- hold points
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  kind TEXT NOT NULL,         -- opened, released, withdrawn
  hold TEXT NOT NULL,         -- who may release it: lead, second_person
  note TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX holds_by_job ON holds (job);

CREATE TABLE bench_takings ( -- who works at a bench from then on
  id INTEGER PRIMARY KEY,
  bench TEXT NOT NULL,
  person TEXT NOT NULL,
  was TEXT NOT NULL,
  job TEXT NOT NULL,
  how TEXT NOT NULL,          -- badge, code
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX bench_takings_by_job ON bench_takings (job);

CREATE TABLE parts ( -- what went into which unit: this is also the consumption
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  part TEXT NOT NULL,         -- line of the kit
  number TEXT NOT NULL,       -- part number
  name TEXT NOT NULL,
  count INTEGER NOT NULL,
  trace TEXT NOT NULL,        -- lot or serial
  serial INTEGER NOT NULL,    -- 1: trace is a serial
  condition TEXT NOT NULL,
  scanned INTEGER NOT NULL,
  attributes TEXT NOT NULL,   -- JSON array
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  undone_id INTEGER NOT NULL, -- id of the outcome by which it counts no longer; 0: it counts
  undone_by TEXT NOT NULL,
  undone_reason TEXT NOT NULL,
  undone_at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX parts_by_job ON parts (job);
CREATE INDEX parts_by_trace ON parts (trace) WHERE trace <> '';
CREATE INDEX parts_by_time ON parts (at_us);

CREATE TABLE presses_cleared ( -- parts in hand that may be pressed together
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  place TEXT NOT NULL,
  parts TEXT NOT NULL,        -- JSON array
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX presses_cleared_by_job ON presses_cleared (job);

CREATE TABLE presses ( -- what pressings told of the seat; judgements has their greatest force
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  place TEXT NOT NULL,
  seat TEXT NOT NULL,
  force_n REAL,               -- at which the seat was reached
  jump_n REAL,                -- rise from there
  travel_mm REAL,
  after_us INTEGER NOT NULL,
  samples INTEGER NOT NULL,
  text TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX presses_by_job ON presses (job);

CREATE TABLE press_rechecks (
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  place TEXT NOT NULL,
  good INTEGER NOT NULL,
  answer TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX press_rechecks_by_job ON press_rechecks (job);

CREATE TABLE photos ( -- the files are in the object store beside the journal, under their hash
  id INTEGER PRIMARY KEY,
  photo TEXT NOT NULL,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  hash TEXT NOT NULL,         -- SHA-256, hexadecimal
  size INTEGER NOT NULL,      -- bytes
  type TEXT NOT NULL,
  width_px INTEGER NOT NULL,
  height_px INTEGER NOT NULL,
  note TEXT NOT NULL,
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX photos_by_job ON photos (job);
CREATE INDEX photos_by_hash ON photos (hash);

CREATE TABLE seals ( -- signed checkpoints; the journal and the file of seals hold the same
  seq INTEGER PRIMARY KEY,
  size INTEGER NOT NULL,      -- entries 1 to size are sealed
  root TEXT NOT NULL,         -- base64
  note TEXT NOT NULL,         -- the signed checkpoint
  key TEXT NOT NULL,
  why TEXT NOT NULL,
  job TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE measurements ( -- results of guided measurements; the judgement that follows each makes its value count
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  attempt INTEGER NOT NULL,
  method TEXT NOT NULL,
  judged TEXT NOT NULL,       -- which figure: mean, least, greatest, movement, eccentricity, form
  what TEXT NOT NULL,
  dim INTEGER NOT NULL,
  value_base REAL,
  u_base REAL,                -- expanded uncertainty, k = 2
  lsl_base REAL,
  usl_base REAL,
  verdict TEXT NOT NULL,
  points INTEGER NOT NULL,
  typed INTEGER NOT NULL,     -- points that a person typed
  tool TEXT NOT NULL,
  calibrated TEXT NOT NULL,   -- date
  by_person TEXT NOT NULL,
  at_us INTEGER NOT NULL,
  detail TEXT NOT NULL        -- JSON: the whole outcome, with figures, budget, warnings and curve
) STRICT;
CREATE INDEX measurements_by_job ON measurements (job);

CREATE TABLE measure_events ( -- what happened on the way to a result; thinned samples are in the journal alone
  id INTEGER PRIMARY KEY,
  job TEXT NOT NULL,
  step TEXT NOT NULL,
  kind TEXT NOT NULL,         -- written name of the outcome
  fact INTEGER NOT NULL,      -- of a point or a reading: journal sequence of what showed it; else 0
  at_us INTEGER NOT NULL,
  detail TEXT NOT NULL        -- JSON: the whole outcome
) STRICT;
CREATE INDEX measure_events_by_job ON measure_events (job);

CREATE TABLE notices ( -- tries to carry an alert out of the house
  seq INTEGER PRIMARY KEY,
  alert TEXT NOT NULL,
  route TEXT NOT NULL,
  way TEXT NOT NULL,
  result TEXT NOT NULL,       -- sending, sent, failed, given_up
  try INTEGER NOT NULL,
  detail TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX notices_by_alert ON notices (alert);

CREATE TABLE access_refusals ( -- who was not let do what; like ones folded
  seq INTEGER PRIMARY KEY,
  why TEXT NOT NULL,
  what TEXT NOT NULL,         -- route or written name of the request; '' where several were folded
  person TEXT NOT NULL,
  role TEXT NOT NULL,
  device TEXT NOT NULL,
  origin TEXT NOT NULL,       -- network address; '' where several were folded
  times INTEGER NOT NULL,
  since_us INTEGER NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE access_changes ( -- what changed who can get in
  seq INTEGER PRIMARY KEY,
  what TEXT NOT NULL,         -- owner_made, secret_set, secret_removed, device_enrolled, device_removed
  person TEXT NOT NULL,
  device TEXT NOT NULL,
  bench TEXT NOT NULL,
  by TEXT NOT NULL,
  origin TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE captures_removed ( -- captures that were removed under the shop's rule; their rows are not here
  seq INTEGER PRIMARY KEY,
  removal TEXT NOT NULL,      -- the same in all parts of one removal
  part INTEGER NOT NULL,
  parts INTEGER NOT NULL,
  by TEXT NOT NULL,
  rule TEXT NOT NULL,
  years INTEGER NOT NULL,
  before_us INTEGER NOT NULL,
  archive_sha256 TEXT NOT NULL,
  sealed_to INTEGER NOT NULL,
  archive TEXT NOT NULL,
  first INTEGER NOT NULL,     -- journal sequences
  last INTEGER NOT NULL,
  count INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE captures_removed_of ( -- how many of them were of a job
  job TEXT NOT NULL,
  seq INTEGER NOT NULL,       -- captures_removed.seq
  count INTEGER NOT NULL,
  PRIMARY KEY (job, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE readings_late ( -- readings that a bench box had to keep back
  id INTEGER PRIMARY KEY,
  reading INTEGER NOT NULL,   -- readings.seq
  box TEXT NOT NULL,
  bench TEXT NOT NULL,
  tool TEXT NOT NULL,
  job TEXT NOT NULL,          -- at the bench when it came; '' for none
  taken_us INTEGER NOT NULL,  -- by the shop's clock
  arrived_us INTEGER NOT NULL
) STRICT;
CREATE INDEX readings_late_by_job ON readings_late (job);

CREATE TABLE box_links ( -- bench boxes that were cut off or came back
  seq INTEGER PRIMARY KEY,
  box TEXT NOT NULL,
  up INTEGER NOT NULL,
  came INTEGER NOT NULL,      -- events that had waited
  detail TEXT NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX box_links_by_box ON box_links (box);

CREATE TABLE box_clocks ( -- how the clocks of bench boxes stand to the shop's
  seq INTEGER PRIMARY KEY,
  box TEXT NOT NULL,
  ahead_us INTEGER NOT NULL,
  round_trip_us INTEGER NOT NULL,
  limit_us INTEGER NOT NULL,
  at_us INTEGER NOT NULL
) STRICT;
CREATE INDEX box_clocks_by_box ON box_clocks (box);

CREATE TABLE clock_steps ( -- the clock of the shop's machine was set
  seq INTEGER PRIMARY KEY,
  from_us INTEGER NOT NULL,   -- what it would have said
  to_us INTEGER NOT NULL,     -- what it said
  by_us INTEGER NOT NULL,     -- forward if above 0
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE restores ( -- from here on the journal goes on from a backup
  seq INTEGER PRIMARY KEY,
  backup TEXT NOT NULL,
  manifest_sha256 TEXT NOT NULL,
  last_seq INTEGER NOT NULL,  -- the last entry that came with it
  sealed_to INTEGER NOT NULL,
  moved INTEGER NOT NULL,     -- the machine before was shut first
  made_us INTEGER NOT NULL,
  restored_us INTEGER NOT NULL,
  by_user TEXT NOT NULL,      -- of the operating system
  at_us INTEGER NOT NULL
) STRICT;

CREATE TABLE arrivals_refused ( -- what bench boxes sent and could not be taken
  seq INTEGER PRIMARY KEY,
  box TEXT NOT NULL,
  source TEXT NOT NULL,
  number INTEGER NOT NULL,    -- of the box's own; 0: none
  type TEXT NOT NULL,
  why TEXT NOT NULL,          -- unreadable, foreign, number_taken, number_jump, missing
  detail TEXT NOT NULL,
  bytes BLOB,
  at_us INTEGER NOT NULL
) STRICT;
