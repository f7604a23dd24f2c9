package ledger

import (
	"context"
	"fmt"
)

// Trim deletes all but the newest versions of a setting. It is for state that is
// kept as one, such as how far a day has come; what people set is kept whole.
func (l *Ledger) Trim(ctx context.Context, name string, keep int) error {
	if keep < 1 {
		return fmt.Errorf("trim %s: at least one version is kept", name)
	}
	_, err := l.write.ExecContext(ctx, `DELETE FROM setting WHERE name = ?1 AND version <= (SELECT max(version) FROM setting WHERE name = ?1) - ?2`, name, keep)
	if err != nil {
		return fmt.Errorf("trim %s: %w", name, err)
	}
	return nil
}
