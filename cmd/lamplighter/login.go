package main

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/durationpb"

	"lamplighter/coordinator/fault"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// tokenVariable holds a token for scripts; it goes before the file.
const tokenVariable = "LAMPLIGHTER_TOKEN"

// mostSecret bounds what is read of a file with a token or password.
const mostSecret = 1024

// loginCmd says who somebody is.
type loginCmd struct {
	serverFlag
	Name            string        `arg:"" help:"The name of your account."`
	Lasts           time.Duration `default:"12h" placeholder:"DURATION" help:"For how long, at most 744h (default ${default})."`
	PasswordFile    string        `placeholder:"FILE" help:"Read the password from here, - for standard input, instead of asking."`
	NewPasswordFile string        `placeholder:"FILE" help:"The same for the password that you choose, where yours was given to you."`
}

// Help is shown by --help.
func (loginCmd) Help() string {
	return `Asks for your password and keeps a token for the commands that follow, in a file that only you can read. A password that was given to you is for this once: you choose your own at once.

Scripts do better with a token of their own: lamplighter token create

Example:

    lamplighter login admin`
}

// Run logs in.
func (c *loginCmd) Run(e *environment) error {
	password, err := secretFrom(e, "Password", "--password-file", c.PasswordFile)
	if err != nil {
		return err
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		account := apiv1.NewAccountServiceClient(conn)
		request := &apiv1.LogInRequest{Name: c.Name, Password: password, Purpose: "command line", Lasts: durationpb.New(c.Lasts)}
		answer, err := account.LogIn(ctx, request)
		if err != nil {
			return err
		}
		if answer.GetPasswordDue() {
			if request.Password, err = choosePassword(ctx, e, account, c.Name, password, c.NewPasswordFile); err != nil {
				return err
			}
			if answer, err = account.LogIn(ctx, request); err != nil {
				return err
			}
		}
		file, err := c.tokenFile()
		if err != nil {
			return err
		}
		if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
			return err
		}
		if err := writeFile(e.stdout, file, 0o600, []byte(answer.GetSecret()+"\n")); err != nil {
			return err
		}
		e.note("Logged in as %s until %s.", c.Name, rfc3339(answer.GetExpiresAt()))
		return nil
	})
}

// choosePassword asks for a new password and puts it in force.
func choosePassword(ctx context.Context, e *environment, account apiv1.AccountServiceClient, name, old, file string) (string, error) {
	next, err := secretFrom(e, "Choose a password of 12 characters or more", "--new-password-file", file)
	if err != nil {
		return "", err
	}
	if file == "" {
		again, err := secretFrom(e, "The same again", "--new-password-file", "")
		if err != nil {
			return "", err
		}
		if again != next {
			return "", fault.New(fault.Invalid, "", "you have typed it in two ways: nothing is changed")
		}
	}
	_, err = account.ChoosePassword(ctx, &apiv1.ChoosePasswordRequest{Name: name, OldPassword: old, NewPassword: next})
	return next, err
}

// secretFrom reads a password from a file, or asks for it without showing it.
// The option is the flag that names the file.
func secretFrom(e *environment, prompt, option, file string) (string, error) {
	switch {
	case file == "-":
		text, err := io.ReadAll(io.LimitReader(os.Stdin, mostSecret))
		return firstLine(text), err
	case file != "":
		return secretFile(file)
	case !term.IsTerminal(int(os.Stdin.Fd())):
		return "", fault.New(fault.Usage, option, "there is no terminal to ask for a password at; name a file, or - for standard input")
	}
	e.note("%s:", prompt)
	text, err := term.ReadPassword(int(os.Stdin.Fd()))
	return string(text), err
}

// secretFile reads a secret from a file that nobody else can read.
func secretFile(name string) (string, error) {
	info, err := os.Stat(name)
	if err != nil {
		return "", err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", fault.New(fault.Refused, "", "%s can be read by others: chmod 600 %[1]s, and replace the secret if somebody may have seen it", name)
	}
	text, err := readFile(name, mostSecret)
	return firstLine(text), err
}

func firstLine(text []byte) string {
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSuffix(line, "\r")
}

// tokenFile is where the token for a coordinator is kept.
func (s serverFlag) tokenFile() (string, error) {
	folder, err := os.UserConfigDir()
	if err != nil {
		return "", fault.New(fault.Refused, "", "there is no home folder to keep a token in: use %s instead", tokenVariable)
	}
	return filepath.Join(folder, "lamplighter", "token-"+strings.NewReplacer(":", "_", "/", "_", "[", "", "]", "").Replace(s.Server)), nil
}

// identified is a context in which calls show the token, where there is one. It
// goes over a connection that is encrypted, or stays on this computer: no other
// connection is made.
func (s serverFlag) identified(ctx context.Context) (context.Context, error) {
	secret := os.Getenv(tokenVariable)
	if secret == "" {
		file, err := s.tokenFile()
		if err != nil {
			return ctx, nil //nolint:nilerr // without a home there is no token
		}
		secret, err = secretFile(file)
		if errors.Is(err, fs.ErrNotExist) {
			return ctx, nil
		}
		if err != nil {
			return ctx, err
		}
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+secret), nil
}
