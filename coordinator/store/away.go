package store

import (
	"context"
	"errors"
	"net"

	"github.com/jackc/pgx/v5/pgconn"
)

// Classes and codes of SQLSTATE that say the server is not to be had: 08 is
// connection exceptions, 57P0x an operator ending or starting it (Postgres
// manual, appendix A).
const (
	connectionException = "08"
	operatorIntervenes  = "57P0"
)

// Away says whether an error means that the database can't be reached now, so
// that trying again later makes sense.
func Away(err error) bool {
	var connecting *pgconn.ConnectError
	var network net.Error
	if code := sqlState(err); code != "" {
		return code[:2] == connectionException || len(code) == 5 && code[:4] == operatorIntervenes
	}
	return errors.As(err, &connecting) || errors.As(err, &network) || errors.Is(err, context.DeadlineExceeded)
}
