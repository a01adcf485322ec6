package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"

	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// tokenCmd is about tokens that act for the caller.
type tokenCmd struct {
	Create tokenCreateCmd `cmd:"" help:"Make a token for a script."`
	List   tokenListCmd   `cmd:"" help:"List your tokens."`
	Revoke tokenRevokeCmd `cmd:"" help:"End a token."`
}

// Help is shown by --help.
func (tokenCmd) Help() string {
	return `Example:

    lamplighter token create "metrics" > metrics-token`
}

type tokenCreateCmd struct {
	serverFlag
	Purpose string        `arg:"" help:"What it is for."`
	Role    string        `default:"viewer" enum:"viewer,operator,admin" placeholder:"ROLE" help:"What it may do at most: viewer, operator or admin (default ${default})."`
	Lasts   time.Duration `default:"720h" placeholder:"DURATION" help:"For how long, at most 8784h (default ${default})."`
}

// Help is shown by --help.
func (tokenCreateCmd) Help() string {
	return `Prints the token once; the coordinator keeps no copy. Put it where only the script can read it, and give it to commands as LAMPLIGHTER_TOKEN, or to a web client as "Authorization: Bearer TOKEN".

Example:

    lamplighter token create "metrics" --lasts 8784h > metrics-token`
}

// Run makes the token.
func (c *tokenCreateCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAccountServiceClient(conn).CreateToken(ctx, &apiv1.CreateTokenRequest{
			Purpose: c.Purpose, Role: c.Role, Lasts: durationpb.New(c.Lasts),
		})
		if err != nil {
			return err
		}
		e.note("Token %s lasts until %s.", answer.GetToken().GetToken(), rfc3339(answer.GetToken().GetExpiresAt()))
		_, err = fmt.Fprintln(e.stdout, answer.GetSecret())
		return err
	})
}

type tokenListCmd struct {
	serverFlag
	outputFlag
}

// Help is shown by --help.
func (tokenListCmd) Help() string {
	return `Names each of your tokens that last, without its secret.

Example:

    lamplighter token list`
}

// tokenResult is one token as it is shown.
type tokenResult struct {
	Token     string  `json:"token"`
	Purpose   string  `json:"purpose"`
	Role      string  `json:"role"`
	CreatedAt *string `json:"created_at"`
	ExpiresAt *string `json:"expires_at"`
	UsedAt    *string `json:"used_at"` // null: never
}

// Run lists them.
func (c *tokenListCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		answer, err := apiv1.NewAccountServiceClient(conn).ListTokens(ctx, &apiv1.ListTokensRequest{})
		if err != nil {
			return err
		}
		results, t := []tokenResult{}, table{columns: []string{"token", "purpose", "role", "created_at", "expires_at", "used_at"}}
		for _, k := range answer.GetTokens() {
			r := tokenResult{k.GetToken(), k.GetPurpose(), k.GetRole(), timePointer(k.GetCreatedAt()), timePointer(k.GetExpiresAt()), timePointer(k.GetUsedAt())}
			results = append(results, r)
			t.rows = append(t.rows, []string{r.Token, r.Purpose, r.Role, show(r.CreatedAt), show(r.ExpiresAt), show(r.UsedAt)})
		}
		return c.write(e.stdout, t, results)
	})
}

type tokenRevokeCmd struct {
	serverFlag
	Token string `arg:"" help:"Which, as lamplighter token list names it."`
}

// Help is shown by --help.
func (tokenRevokeCmd) Help() string {
	return `Ends one of your tokens at once; an admin ends anybody's.

Example:

    lamplighter token revoke k3x7m2q9aa`
}

// Run ends it.
func (c *tokenRevokeCmd) Run(e *environment) error {
	return c.call(e, func(ctx context.Context, conn grpc.ClientConnInterface) error {
		_, err := apiv1.NewAccountServiceClient(conn).RevokeToken(ctx, &apiv1.RevokeTokenRequest{Token: c.Token})
		return err
	})
}
