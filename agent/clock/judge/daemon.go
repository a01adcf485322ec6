package judge

import "time"

// daemon is what is remembered of the machine's time daemon.
type daemon struct {
	said     Daemon
	heard    time.Duration // raw
	zero     time.Time     // when the raw clock was zero, as it says
	speaking bool
}

func (d *daemon) hear(now Instant, said Daemon) {
	*d = daemon{said: said, heard: now.Raw, zero: now.Wall.Add(said.Offset - now.Raw), speaking: true}
}

// synchronised says whether it has a reference now.
func (d *daemon) synchronised(now Instant) bool {
	return d.speaking && now.Raw-d.heard <= lasts && d.said.Synchronised && !d.said.Local
}

func (d *daemon) claim(now Instant, build time.Time) (claim, Reason) {
	switch {
	case !d.speaking:
		return claim{}, Starting
	case now.Raw-d.heard > lasts:
		return claim{}, Silent
	case !d.said.Synchronised || d.said.Bound < 0:
		return claim{}, Unsynced
	case d.said.Local:
		return claim{}, LocalOnly
	}
	if reason := date(d.zero.Add(now.Raw), now.Wall, build); reason != Agreed {
		return claim{}, reason
	}
	e := estimate{zero: d.zero, bound: d.said.Bound}
	return claim{
		estimate: e.wider(drift(now.Raw - d.heard)), by: byDaemon,
		mature: true, sure: d.said.Servers >= 2,
	}, Agreed
}
