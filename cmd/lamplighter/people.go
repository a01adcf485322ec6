package main

import (
	"context"
	"strings"

	"google.golang.org/grpc"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// peopleCmd is about accounts.
type peopleCmd struct {
	List     peopleListCmd     `cmd:"" help:"List the accounts."`
	Add      peopleAddCmd      `cmd:"" help:"Make an account."`
	Change   peopleChangeCmd   `cmd:"" help:"Change what an account may do."`
	End      peopleEndCmd      `cmd:"" help:"End an account, for ever."`
	Reset    peopleResetCmd    `cmd:"" help:"Give somebody another password."`
	Password peoplePasswordCmd `cmd:"" help:"Choose another password for yourself."`
}

// Help is shown by --help.
func (peopleCmd) Help() string {
	return `Example:

    lamplighter people add kim --role operator --sites hilltop`
}

// personFlags say what an account is.
type personFlags struct {
	Name    string   `arg:"" help:"The name to log in with."`
	Role    string   `required:"" enum:"viewer,operator,admin" placeholder:"ROLE" help:"viewer sees, operator also hushes, releases and takes duty, admin does everything."`
	Sites   []string `placeholder:"SITE" help:"The sites that an operator is for, with commas between them; '*' for all."`
	Contact string   `placeholder:"TEXT" help:"How to reach them, for everybody who looks at duty."`
	OpenID  string   `name:"openid" placeholder:"SUBJECT" help:"Who they are at the OpenID provider; then they have no password."`
}

func (f personFlags) person() *apiv1.Person {
	return &apiv1.Person{Name: f.Name, Role: f.Role, Sites: f.Sites, Contact: f.Contact, OpenidSubject: f.OpenID}
}

type peopleAddCmd struct {
	serverFlag
	personFlags
}

// Help is shown by --help.
func (peopleAddCmd) Help() string {
	return `Prints a password to log in with once, within a day. Tell it to them and to nobody else.

Example:

    lamplighter people add kim --role operator --sites hilltop,mill --contact "kim@example.org, club room"`
}

// Run makes the account.
func (c *peopleAddCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewPeopleServiceClient(conn).AddPerson(ctx, &apiv1.AddPersonRequest{Person: c.person()})
		if err != nil {
			return err
		}
		return tellPassword(e, c.Name, answer.GetPassword())
	})
}

// tellPassword prints a password that was given to somebody.
func tellPassword(e *environment, name, password string) error {
	if password == "" {
		e.note("%s logs in through the OpenID provider.", name)
		return nil
	}
	e.note("For %s, to log in with once, within a day:", name)
	_, err := e.stdout.Write([]byte(password + "\n"))
	return err
}

type peopleChangeCmd struct {
	serverFlag
	personFlags
}

// Help is shown by --help.
func (peopleChangeCmd) Help() string {
	return `Role, sites, contact and OpenID subject are as you say from now on; what you leave out is empty. It counts at once, for sessions and tokens too.

Example:

    lamplighter people change kim --role viewer`
}

// Run changes it.
func (c *peopleChangeCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewPeopleServiceClient(conn).ChangePerson(ctx, &apiv1.ChangePersonRequest{Person: c.person()})
		return err
	})
}

type peopleEndCmd struct {
	serverFlag
	Name string `arg:"" help:"Whose."`
}

// Help is shown by --help.
func (peopleEndCmd) Help() string {
	return `Their sessions and tokens end at once. The name stays in the trail and is never given to somebody else.

Example:

    lamplighter people end kim`
}

// Run ends it.
func (c *peopleEndCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewPeopleServiceClient(conn).EndPerson(ctx, &apiv1.EndPersonRequest{Name: c.Name})
		return err
	})
}

type peopleResetCmd struct {
	serverFlag
	Name string `arg:"" help:"Whose."`
}

// Help is shown by --help.
func (peopleResetCmd) Help() string {
	return `Prints a password for somebody who has forgotten theirs, to log in with once, within a day. Their sessions end.

Example:

    lamplighter people reset kim`
}

// Run gives them another.
func (c *peopleResetCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewPeopleServiceClient(conn).ResetPassword(ctx, &apiv1.ResetPasswordRequest{Name: c.Name})
		if err != nil {
			return err
		}
		return tellPassword(e, c.Name, answer.GetPassword())
	})
}

type peoplePasswordCmd struct {
	serverFlag
	Name            string `arg:"" help:"The name of your account."`
	PasswordFile    string `placeholder:"FILE" help:"Read the one that you have from here, - for standard input."`
	NewPasswordFile string `placeholder:"FILE" help:"Read the new one from here, - for standard input."`
}

// Help is shown by --help.
func (peoplePasswordCmd) Help() string {
	return `Asks for the password that you have and the new one. Your sessions in browsers end; tokens don't.

Example:

    lamplighter people password kim`
}

// Run replaces it.
func (c *peoplePasswordCmd) Run(e *environment) error {
	old, err := secretFrom(e, "The password that you have", "--password-file", c.PasswordFile)
	if err != nil {
		return err
	}
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := choosePassword(ctx, e, apiv1.NewAccountServiceClient(conn), c.Name, old, c.NewPasswordFile)
		return err
	})
}

type peopleListCmd struct {
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (peopleListCmd) Help() string {
	return `Lists all accounts, also those that were ended.

Example:

    lamplighter people list`
}

// personResult is one account as it is shown.
type personResult struct {
	Name      string   `json:"name"`
	Role      string   `json:"role"`
	Sites     []string `json:"sites"`
	Contact   string   `json:"contact"`
	OpenID    string   `json:"openid"`
	Due       bool     `json:"password_due"`
	CreatedAt *string  `json:"created_at"`
	EndedAt   *string  `json:"ended_at"` // null: in use
}

// Run lists them.
func (c *peopleListCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewPeopleServiceClient(conn).ListPeople(ctx, &apiv1.ListPeopleRequest{})
		if err != nil {
			return err
		}
		results, t := []personResult{}, table{columns: []string{"name", "role", "sites", "contact", "ended_at"}}
		for _, p := range answer.GetPeople() {
			r := personResult{
				p.GetName(), p.GetRole(), append([]string{}, p.GetSites()...), p.GetContact(), p.GetOpenidSubject(), p.GetPasswordDue(),
				timePointer(p.GetCreatedAt()), timePointer(p.GetEndedAt()),
			}
			results = append(results, r)
			t.rows = append(t.rows, []string{r.Name, r.Role, strings.Join(r.Sites, ","), r.Contact, show(r.EndedAt)})
		}
		return c.write(e.stdout, t, results)
	})
}
