// Package ledger keeps alerts, the moves they made, the messages about them, and
// the settings people made, in one SQLite file.
//
// One promise holds it together: what a finding led to — the alert, its moves, the
// report lines, the queue's state and every message to a person — is written in one
// transaction, on disk when [Ledger.Commit] returns. After a crash there is either
// all of it or nothing, and the same finding again adds nothing.
//
// Schema versions are the files of schema/, applied in order and counted in the
// file's user_version. A file written by a newer program is refused.
package ledger
