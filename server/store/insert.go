package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"strings"
)

// insert adds events to the data file, always the same number by one run of its
// statement. It is run without database/sql in between, which would copy and check
// each time what is right already. Nothing else uses the connection meanwhile.
type insert struct {
	stmt driver.StmtExecContext
	args []driver.NamedValue
	rows int
}

// columnsOfRow is how many values rowColumns names.
const columnsOfRow = 10

func newInsert(ctx context.Context, conn *sql.Conn, rows int) (*insert, error) {
	in := &insert{args: make([]driver.NamedValue, rows*columnsOfRow), rows: rows}
	for i := range in.args {
		in.args[i].Ordinal = i + 1
	}
	// What goes wrong ends the transaction, and not the statement alone: for that SQLite
	// would keep each page as it was before the statement (https://sqlite.org/lang_conflict.html).
	values := strings.Repeat(", (?,?,?,?,?,?,?,?,?,?)", rows)[1:]
	err := conn.Raw(func(c any) error {
		stmt, err := c.(driver.ConnPrepareContext).PrepareContext(ctx, "INSERT OR ROLLBACK INTO event ("+rowColumns+") VALUES"+values+" ON CONFLICT DO NOTHING")
		if err == nil {
			in.stmt = stmt.(driver.StmtExecContext)
		}
		return err
	})
	return in, err
}

// add adds as many events as the statement takes, but those that are there: a fold
// that broke off begins anew.
func (in *insert) add(rows []*row) error {
	for i, r := range rows {
		for j, value := range [columnsOfRow]driver.Value{r.id, r.pair, r.hold, r.kind, r.device, r.counter, r.at, r.storedMs, r.body, r.sum()} {
			in.args[i*columnsOfRow+j].Value = value
		}
	}
	_, err := in.stmt.ExecContext(context.Background(), in.args)
	return err
}

func (in *insert) close() {
	if in != nil && in.stmt != nil {
		in.stmt.(driver.Stmt).Close()
	}
}
