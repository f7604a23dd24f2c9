-- An alert is kept whole as JSON; the columns beside it are what it is found by.
CREATE TABLE alert (
  id        TEXT PRIMARY KEY,
  seq       INTEGER NOT NULL,
  state     TEXT NOT NULL,
  priority  INTEGER NOT NULL,
  site      TEXT NOT NULL,
  machine   TEXT NOT NULL,
  opened_ms INTEGER NOT NULL,
  moved_ms  INTEGER NOT NULL,
  body      TEXT NOT NULL
) STRICT;
CREATE INDEX alert_by_state ON alert (state, opened_ms);
CREATE INDEX alert_by_machine ON alert (machine, opened_ms);

-- The audit: who moved which alert, when and why. Rows are only added.
CREATE TABLE move (
  alert      TEXT NOT NULL,
  seq        INTEGER NOT NULL,
  at_ms      INTEGER NOT NULL,
  verb       TEXT NOT NULL,
  from_state TEXT NOT NULL,
  to_state   TEXT NOT NULL,
  role       INTEGER NOT NULL,
  who        TEXT NOT NULL,
  reason     TEXT NOT NULL,
  until_ms   INTEGER NOT NULL,
  PRIMARY KEY (alert, seq)
) STRICT;

-- A finding's lines, as replay prints them.
CREATE TABLE report (
  finding TEXT NOT NULL,
  seq     INTEGER NOT NULL,
  at_ms   INTEGER NOT NULL,
  machine TEXT NOT NULL,
  site    TEXT NOT NULL,
  line    TEXT NOT NULL,
  PRIMARY KEY (finding, seq)
) STRICT;
CREATE INDEX report_by_machine ON report (machine, at_ms);

-- The newest change of each finding that was taken: the same one again is passed over.
CREATE TABLE taken (
  finding TEXT PRIMARY KEY,
  seq     INTEGER NOT NULL,
  at_ms   INTEGER NOT NULL
) STRICT;

-- State that must move with the alerts, such as the queue's.
CREATE TABLE snapshot (
  name TEXT PRIMARY KEY,
  body BLOB NOT NULL
) STRICT;

-- Messages to people, written with the alert they are about.
CREATE TABLE outbox (
  key        TEXT PRIMARY KEY,
  alert      TEXT NOT NULL,
  person     TEXT NOT NULL,
  channel    TEXT NOT NULL,
  priority   INTEGER NOT NULL,
  made_ms    INTEGER NOT NULL,
  due_ms     INTEGER NOT NULL,
  state      TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'dead', 'folded', 'dropped')),
  attempts   INTEGER NOT NULL DEFAULT 0,
  unsure     INTEGER NOT NULL DEFAULT 0, -- an attempt was begun and its end is not known
  sent_ms    INTEGER NOT NULL DEFAULT 0,
  error      TEXT NOT NULL DEFAULT '',
  folded     TEXT NOT NULL DEFAULT '',
  body       TEXT NOT NULL
) STRICT;
CREATE INDEX outbox_by_due ON outbox (state, due_ms);
CREATE INDEX outbox_by_person ON outbox (person, sent_ms);

-- Settings, rota and people by name: every version that ever was.
CREATE TABLE setting (
  name    TEXT NOT NULL,
  version INTEGER NOT NULL,
  at_ms   INTEGER NOT NULL,
  who     TEXT NOT NULL,
  why     TEXT NOT NULL,
  body    TEXT NOT NULL,
  PRIMARY KEY (name, version)
) STRICT;

-- What people did beside moving alerts.
CREATE TABLE audit (
  id     INTEGER PRIMARY KEY,
  at_ms  INTEGER NOT NULL,
  who    TEXT NOT NULL,
  what   TEXT NOT NULL,
  detail TEXT NOT NULL
) STRICT;
