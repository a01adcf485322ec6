package main

import (
	"lamplighter/coordinator/backup"
)

// placeFlags say where a coordinator keeps what it knows, as serve is told.
type placeFlags struct {
	Dir      string `required:"" type:"path" placeholder:"DIR" help:"The coordinator's folder, as serve is given it."`
	Database string `placeholder:"URL" env:"LAMPLIGHTER_DATABASE" help:"Its database, as serve is given it; without it the private one in the folder."`
}

func (f placeFlags) place() backup.Place { return backup.Place{Dir: f.Dir, Database: f.Database} }

// backupCmd saves what a network can't do without.
type backupCmd struct {
	placeFlags
	Folder string `arg:"" type:"path" help:"The backup, a folder that is not there yet."`
}

// Help is shown by --help.
func (backupCmd) Help() string {
	return `Everything that a network can't do without, as of one moment, while the coordinator runs: the fleet, orders, records, accounts, certificates, and the key that seals what is secret. Whoever has the backup has the network: keep it where only you can read it, and not only on this computer.

Example:

    lamplighter backup --dir /var/lib/lamplighter /srv/backup/lamplighter-2026-11-26`
}

// Run saves it.
func (c *backupCmd) Run(e *environment) error {
	if _, err := backup.Save(e, c.place(), c.Folder, programVersion()); err != nil {
		return err
	}
	e.note("Saved in %s. Look now and then whether it can be brought back: lamplighter restore --dir NEW_FOLDER %[1]s", c.Folder)
	return nil
}

// restoreCmd brings it back.
type restoreCmd struct {
	placeFlags
	Folder string `arg:"" type:"path" help:"The backup."`
}

// Help is shown by --help.
func (restoreCmd) Help() string {
	return `Brings a backup back into a folder and a database that hold nothing yet. The coordinator must not run.

What was ordered after the backup is forgotten here, but a beacon may still obey it: for six hours at most, by automatic control. So the network begins under a hush of all beacons. End it when each has answered, or after six hours: lamplighter release --reason "…"

Example:

    lamplighter restore --dir /var/lib/lamplighter /srv/backup/lamplighter-2026-11-26
    lamplighter serve --tls --dir /var/lib/lamplighter`
}

// Run brings it back.
func (c *restoreCmd) Run(e *environment) error {
	about, err := backup.Restore(e, c.Folder, c.place())
	if err != nil {
		return err
	}
	e.note("The backup of %s is back. All beacons are hushed: start the coordinator, look whether each answers, and then release the hush.", about.Made.Format("2006-01-02 15:04:05 UTC"))
	return nil
}
