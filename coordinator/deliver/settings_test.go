package deliver

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSettingsThatCanNotBe(t *testing.T) {
	for _, c := range []struct{ text, says string }{
		{"mail: {server: club.example, from: a@club.example}", "HOST:PORT"},
		{"mail: {server: 'club.example:25', from: nobody}", "mail.from"},
		{"mail: {server: 'club.example:25', from: a@club.example, tls: none}", "in the open"},
		{"webhooks: {own: {url: 'http://club.example/', key: 0123456789abcdef}}", "in the open"},
		{"webhooks: {own: {url: 'https://club.example/', key: short}}", "16 characters"},
		{"services: {room: 'nothing-of-the-kind://secret'}", "services.room"},
		{"heartbeat: {url: 'https://club.example/', every_seconds: -1}", "1 to 3600"},
		{"hartbeat: {}", "can't be read"},
	} {
		_, err := ParseSettings([]byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v, want %q", c.text, err, c.says)
		}
	}
	if _, err := ParseSettings(nil); err != nil {
		t.Errorf("an empty file: %v", err)
	}
}

func TestAFileThatOthersCanReadIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), File)
	if err := os.WriteFile(file, []byte("mail: {server: 'club.example:25', from: a@club.example}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err := ReadSettings(file); err != nil || s.Mail == nil {
		t.Fatalf("%+v %v", s, err)
	}
	if err := os.Chmod(file, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadSettings(file); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("got %v", err)
	}
}

func FuzzParseSettings(f *testing.F) {
	f.Add([]byte("mail: {server: 'club.example:25', from: a@club.example}\nheartbeat: {url: 'https://club.example/'}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := ParseSettings(text)
		if err == nil && s.Mail != nil && s.Mail.Server == "" {
			t.Error("mail without a server was taken")
		}
	})
}

// The waits of a day: they grow, and end at half an hour.
func TestWaits(t *testing.T) {
	before := firstWait
	for attempt := 1; attempt < 100; attempt++ {
		w := wait(attempt)
		if w < before || w > longestWait {
			t.Errorf("after attempt %d: %s", attempt, w)
		}
		before = w
	}
	if before != longestWait {
		t.Errorf("the longest wait is %s", before)
	}
}
