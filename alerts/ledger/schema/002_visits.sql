-- Visits of techs at machines: the answers to the checks as they are given, and
-- in the end the outcome, whose label says what a person found. Kept for good.
CREATE TABLE visit (
  id      TEXT PRIMARY KEY,
  machine TEXT NOT NULL,
  site    TEXT NOT NULL,
  alert   TEXT NOT NULL,
  at_ms   INTEGER NOT NULL, -- of the last change
  closed  INTEGER NOT NULL,
  label   TEXT NOT NULL,    -- fault, "well", or '' where nobody could tell
  body    TEXT NOT NULL
) STRICT;
CREATE INDEX visit_by_machine ON visit (machine, at_ms);
CREATE INDEX visit_by_label ON visit (label, at_ms);
