package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"slices"

	_ "modernc.org/sqlite" // the driver
)

//go:embed schema/*.sql
var schemas embed.FS

// Options say where the ledger is.
type Options struct {
	Path string // of the file; its folder must exist
}

// Ledger is the open file. It is safe for concurrent use: one writer at a time,
// readers beside it.
type Ledger struct {
	write *sql.DB
	read  *sql.DB
	path  string
}

// Open opens the ledger, makes it if there is none, and brings its schema up to
// this program's.
func Open(ctx context.Context, o Options) (*Ledger, error) {
	w, err := connect(o.Path, false)
	if err != nil {
		return nil, err
	}
	w.SetMaxOpenConns(1)
	if err := migrate(ctx, w); err != nil {
		return nil, errors.Join(fmt.Errorf("open the alert ledger %s: %w", o.Path, err), w.Close())
	}
	r, err := connect(o.Path, true)
	if err != nil {
		return nil, errors.Join(err, w.Close())
	}
	r.SetMaxOpenConns(4)
	return &Ledger{write: w, read: r, path: o.Path}, nil
}

// connect opens the file. FULL: a transaction is on disk when it returns, which
// the outbox's promise needs.
func connect(path string, readonly bool) (*sql.DB, error) {
	q := url.Values{}
	q.Add("_pragma", "busy_timeout(10000)")
	q.Add("_pragma", "foreign_keys(1)")
	if readonly {
		q.Add("_pragma", "query_only(1)")
	} else {
		q.Add("_pragma", "journal_mode(WAL)")
		q.Add("_pragma", "synchronous(FULL)")
		q.Set("_txlock", "immediate")
	}
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath(), RawQuery: q.Encode()}
	return sql.Open("sqlite", u.String())
}

// migrate applies the schema files the ledger does not have yet, each in a
// transaction with its version.
func migrate(ctx context.Context, db *sql.DB) error {
	files, err := fs.Glob(schemas, "schema/*.sql")
	if err != nil {
		return err
	}
	slices.Sort(files)
	var have int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&have); err != nil {
		return err
	}
	if have > len(files) {
		return fmt.Errorf("its schema is version %d, this program knows %d: start the newer program, or restore a backup", have, len(files))
	}
	for i := have; i < len(files); i++ {
		text, err := schemas.ReadFile(files[i])
		if err != nil {
			return err
		}
		err = within(ctx, db, func(tx *sql.Tx) error {
			if _, err := tx.ExecContext(ctx, string(text)); err != nil {
				return err
			}
			_, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", i+1))
			return err
		})
		if err != nil {
			return fmt.Errorf("%s: %w", files[i], err)
		}
	}
	return nil
}

// within runs f in a transaction, which is rolled back if f fails.
func within(ctx context.Context, db *sql.DB, f func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// Close closes the file.
func (l *Ledger) Close() error { return errors.Join(l.read.Close(), l.write.Close()) }

// Backup writes a whole, consistent copy to path while the ledger is in use. path
// must not exist.
func (l *Ledger) Backup(ctx context.Context, path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("back up the alert ledger: %s exists already; choose another name", path)
	}
	if _, err := l.write.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		return fmt.Errorf("back up the alert ledger to %s: %w", path, err)
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Check reads the whole file and reports what is damaged.
func (l *Ledger) Check(ctx context.Context) error {
	rows, err := l.read.QueryContext(ctx, "PRAGMA integrity_check")
	if err != nil {
		return fmt.Errorf("check the alert ledger: %w", err)
	}
	defer rows.Close()
	var bad []error
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return err
		}
		if s != "ok" {
			bad = append(bad, errors.New(s))
		}
	}
	if err := errors.Join(append(bad, rows.Err())...); err != nil {
		return fmt.Errorf("the alert ledger %s is damaged; restore the last backup: %w", l.path, err)
	}
	return nil
}
