package accounts

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/store"
)

// firstName is the first account's.
const firstName = "admin"

// FirstPasswordFile is where the first admin's password stands until they have
// chosen their own.
const FirstPasswordFile = "first-admin-password"

// MakeFirst makes the first account where there is none, and gives it a new
// password as long as nobody has chosen one. The password stands in a file in
// the folder and nowhere else; the name of the file is returned, "" where
// somebody looks after the accounts already.
func (a *Accounts) MakeFirst(ctx context.Context, folder string) (file string, err error) {
	file = filepath.Join(folder, FirstPasswordFile)
	all, err := a.store.Accounts(ctx)
	if err != nil {
		return "", err
	}
	if len(all) > 0 && !untouched(all) {
		if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		return "", nil
	}
	account := store.Account{Name: firstName, Role: people.Admin}
	password, err := a.givePassword(ctx, &account)
	if err != nil {
		return "", err
	}
	if err := writePrivately(file, password); err != nil {
		return "", fault.New(fault.Refused, "--dir", "the first admin's password could not be written: %w", err)
	}
	added, err := a.store.AddFirstAccount(ctx, account)
	if err == nil && !added {
		err = a.store.SetPassword(ctx, firstName, *account.Password, account.GivenUntil, nil)
	}
	return file, err
}

// untouched says whether the only account is the first one, of which nobody has
// chosen the password.
func untouched(all []store.Account) bool {
	return len(all) == 1 && all[0].Name == firstName && all[0].GivenUntil != nil && all[0].EndedAt == nil
}

// writePrivately writes a file that only its owner reads, whole or not at all.
func writePrivately(file, text string) error {
	temporary, err := os.CreateTemp(filepath.Dir(file), ".password-") // mode 0600
	if err != nil {
		return err
	}
	_, err = temporary.WriteString(text + "\n")
	if err = errors.Join(err, temporary.Close()); err == nil {
		err = os.Rename(temporary.Name(), file)
	}
	if err != nil {
		return errors.Join(err, os.Remove(temporary.Name()))
	}
	return nil
}
