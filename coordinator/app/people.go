package app

import (
	"context"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/store"
)

// checkOpen refuses to let everybody in where others can come.
func (o Options) checkOpen() error {
	if !o.Open {
		return nil
	}
	for _, address := range []struct{ flag, value string }{{"--grpc", o.GRPC}, {"--http", o.HTTP}} {
		if err := checkLoopback(address.flag, address.value); err != nil {
			return fault.New(fault.Usage, "--open-on-loopback", "it lets everybody do everything who can reach the coordinator, so it must listen on this computer alone: %s has to be such as 127.0.0.1:PORT", address.flag)
		}
	}
	return nil
}

// openAccounts makes what knows who is who, and the first admin where there is
// none.
func (a *App) openAccounts(ctx context.Context) (err error) {
	a.accounts, err = accounts.New(accounts.Options{Store: a.store, Log: a.options.Log, Metrics: a.registry})
	if err != nil {
		return err
	}
	if a.options.Open {
		a.options.Log.Warn("whoever works on this computer may do everything, without a password (--open-on-loopback)")
		return nil
	}
	file, err := a.accounts.MakeFirst(ctx, a.options.Dir)
	if err == nil && file != "" {
		a.options.Log.Warn("nobody looks after the accounts yet: log in as admin with the password that stands in this file, within a day, and choose your own", "file", file)
	}
	return err
}

// sited tells the store at which site a transmission was, so that it can write
// down who was in control there.
type sited struct {
	*store.Store
	network *network
}

// StoreReports stores what agents say.
func (s sited) StoreReports(ctx context.Context, reports store.Reports) (store.Fates, error) {
	current := s.network.fleet.Load()
	for i, r := range reports.Records {
		if beacon := current.Beacon(r.Beacon); r.Outcome != nil && beacon != nil {
			reports.Records[i].Outcome.Site = beacon.Site.Name
		}
	}
	return s.Store.StoreReports(ctx, reports)
}
