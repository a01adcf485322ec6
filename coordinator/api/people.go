package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"lamplighter/coordinator/fault"
	"lamplighter/coordinator/people"
	"lamplighter/coordinator/people/accounts"
	"lamplighter/coordinator/people/caller"
	"lamplighter/coordinator/store"
	apiv1 "lamplighter/proto/lamplighter/api/v1"
)

// How long a token lasts that is made by logging in.
const (
	loginLasts   = 12 * time.Hour
	longestLogin = 31 * 24 * time.Hour
)

// accountService is about the caller's own account.
type accountService struct {
	apiv1.UnimplementedAccountServiceServer
	options Options
}

// LogIn makes a token of a name and a password.
func (s *accountService) LogIn(ctx context.Context, r *apiv1.LogInRequest) (*apiv1.LogInResponse, error) {
	lasts, err := checkedLength("lasts", r.GetLasts(), loginLasts, longestLogin)
	if err != nil {
		return nil, err
	}
	person, err := s.options.Accounts.LogIn(ctx, r.GetName(), r.GetPassword(), caller.From(ctx).From)
	if err != nil {
		return nil, err
	}
	if person.PasswordDue {
		return &apiv1.LogInResponse{PasswordDue: true}, nil
	}
	secret, token, err := s.options.Accounts.MakeToken(ctx, person, r.GetPurpose(), person.Role, lasts)
	if err != nil {
		return nil, err
	}
	return &apiv1.LogInResponse{Secret: secret, ExpiresAt: timestamppb.New(token.ExpiresAt)}, nil
}

// checkedLength is a length of time up to a longest one.
func checkedLength(field string, asked *durationpb.Duration, otherwise, longest time.Duration) (time.Duration, error) {
	if asked == nil {
		return otherwise, nil
	}
	if lasts := asked.AsDuration(); asked.CheckValid() == nil && lasts > 0 && lasts <= longest {
		return lasts, nil
	}
	return 0, fault.New(fault.Invalid, field, "more than nothing and at most %v", longest)
}

// WhoAmI says who the caller is.
func (s *accountService) WhoAmI(ctx context.Context, _ *apiv1.WhoAmIRequest) (*apiv1.WhoAmIResponse, error) {
	c := caller.From(ctx)
	return &apiv1.WhoAmIResponse{Name: c.Name, Role: string(c.Role), Sites: c.Sites, PasswordDue: c.PasswordDue, Via: c.Via}, nil
}

// ChoosePassword replaces a password.
func (s *accountService) ChoosePassword(ctx context.Context, r *apiv1.ChoosePasswordRequest) (*apiv1.ChoosePasswordResponse, error) {
	err := s.options.Accounts.Choose(ctx, r.GetName(), r.GetOldPassword(), r.GetNewPassword(), caller.From(ctx).From, "")
	return &apiv1.ChoosePasswordResponse{}, err
}

// CreateToken makes a token that acts for the caller.
func (s *accountService) CreateToken(ctx context.Context, r *apiv1.CreateTokenRequest) (*apiv1.CreateTokenResponse, error) {
	who := caller.From(ctx)
	if who.Via == "loopback" {
		return nil, fault.New(fault.Refused, "", "a token acts for an account: log in first (lamplighter login NAME)")
	}
	lasts, err := checkedLength("lasts", r.GetLasts(), loginLasts, accounts.LongestToken)
	if err != nil {
		return nil, err
	}
	secret, token, err := s.options.Accounts.MakeToken(ctx, who.Person, r.GetPurpose(), people.Role(r.GetRole()), lasts)
	if err != nil {
		return nil, err
	}
	return &apiv1.CreateTokenResponse{Secret: secret, Token: tokenMessage(token)}, nil
}

func tokenMessage(t store.Token) *apiv1.Token {
	return &apiv1.Token{
		Token: t.Token, Person: t.Person, Purpose: t.Purpose, Role: string(t.Role),
		CreatedAt: optionalTime(&t.CreatedAt), ExpiresAt: timestamppb.New(t.ExpiresAt), UsedAt: optionalTime(t.UsedAt),
	}
}

// optionalTime is absent where there is none.
func optionalTime(at *time.Time) *timestamppb.Timestamp {
	if at == nil || at.IsZero() {
		return nil
	}
	return timestamppb.New(*at)
}

// ListTokens lists the caller's tokens that last.
func (s *accountService) ListTokens(ctx context.Context, _ *apiv1.ListTokensRequest) (*apiv1.ListTokensResponse, error) {
	tokens, err := s.options.Store.Tokens(ctx, caller.From(ctx).Name)
	answer := &apiv1.ListTokensResponse{}
	for _, t := range tokens {
		answer.Tokens = append(answer.Tokens, tokenMessage(t))
	}
	return answer, err
}

// RevokeToken ends one of the caller's tokens; an admin ends anybody's.
func (s *accountService) RevokeToken(ctx context.Context, r *apiv1.RevokeTokenRequest) (*apiv1.RevokeTokenResponse, error) {
	whose := caller.From(ctx).Name
	if caller.May(ctx, people.ManagePeople, "") == people.Allowed {
		whose = ""
	}
	revoked, err := s.options.Store.RevokeToken(ctx, r.GetToken(), whose)
	if err == nil && !revoked {
		err = fault.New(fault.NotFound, "token", "you have no token %.64q that lasts; lamplighter token list names them", r.GetToken())
	}
	return &apiv1.RevokeTokenResponse{}, err
}

// peopleService is about everybody's accounts.
type peopleService struct {
	apiv1.UnimplementedPeopleServiceServer
	options Options
}

// ListPeople lists all accounts.
func (s *peopleService) ListPeople(ctx context.Context, _ *apiv1.ListPeopleRequest) (*apiv1.ListPeopleResponse, error) {
	all, err := s.options.Store.Accounts(ctx)
	answer := &apiv1.ListPeopleResponse{}
	for _, a := range all {
		answer.People = append(answer.People, personMessage(a))
	}
	return answer, err
}

func personMessage(a store.Account) *apiv1.Person {
	p := &apiv1.Person{
		Name: a.Name, Role: string(a.Role), Sites: a.Sites, Contact: a.Contact, PasswordDue: a.GivenUntil != nil,
		CreatedAt: timestamppb.New(a.CreatedAt), EndedAt: optionalTime(a.EndedAt),
	}
	if a.Subject != nil {
		p.OpenidSubject = *a.Subject
	}
	return p
}

// account is what a message says of an account.
func (s *peopleService) account(ctx context.Context, p *apiv1.Person) (store.Account, error) {
	a := store.Account{Name: p.GetName(), Role: people.Role(p.GetRole()), Sites: p.GetSites(), Contact: p.GetContact()}
	if subject := p.GetOpenidSubject(); subject != "" {
		a.Subject = &subject
		if s.options.OpenID != "" {
			a.Issuer = &s.options.OpenID
		}
	}
	current, _, err := s.options.Fleets.Current(ctx)
	if err != nil || current == nil {
		return a, err
	}
	for _, site := range a.Sites {
		if site != people.Everywhere && current.Site(site) == nil {
			return a, unknown("sites", "site", site)
		}
	}
	return a, nil
}

// AddPerson makes an account.
func (s *peopleService) AddPerson(ctx context.Context, r *apiv1.AddPersonRequest) (*apiv1.AddPersonResponse, error) {
	account, err := s.account(ctx, r.GetPerson())
	if err != nil {
		return nil, err
	}
	password, err := s.options.Accounts.Give(ctx, account)
	return &apiv1.AddPersonResponse{Password: password}, err
}

// ChangePerson changes an account.
func (s *peopleService) ChangePerson(ctx context.Context, r *apiv1.ChangePersonRequest) (*apiv1.ChangePersonResponse, error) {
	account, err := s.account(ctx, r.GetPerson())
	if err != nil {
		return nil, err
	}
	if err := s.noteBefore(ctx, account.Name); err != nil {
		return nil, err
	}
	return &apiv1.ChangePersonResponse{}, s.options.Accounts.Change(ctx, account)
}

// noteBefore lets the trail say how an account was.
func (s *peopleService) noteBefore(ctx context.Context, name string) error {
	before, err := s.options.Store.Account(ctx, name)
	if err == nil && before != nil {
		note(ctx, "before", plainly(personMessage(*before)))
	}
	return err
}

// EndPerson ends an account.
func (s *peopleService) EndPerson(ctx context.Context, r *apiv1.EndPersonRequest) (*apiv1.EndPersonResponse, error) {
	if err := s.noteBefore(ctx, r.GetName()); err != nil {
		return nil, err
	}
	return &apiv1.EndPersonResponse{}, s.options.Store.EndAccount(ctx, r.GetName())
}

// ResetPassword gives somebody another password.
func (s *peopleService) ResetPassword(ctx context.Context, r *apiv1.ResetPasswordRequest) (*apiv1.ResetPasswordResponse, error) {
	password, err := s.options.Accounts.Reset(ctx, r.GetName())
	return &apiv1.ResetPasswordResponse{Password: password}, err
}
