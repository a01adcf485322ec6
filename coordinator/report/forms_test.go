package report_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lamplighter/coordinator/report"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestFormsAreAsTheGoldenFiles(t *testing.T) {
	r, berlin := sample(t), load(t, "Europe/Berlin")
	for name, write := range map[string]func(io.Writer) error{
		"week.md":  func(w io.Writer) error { return r.Markdown(w, berlin) },
		"week.csv": r.CSV,
	} {
		var got bytes.Buffer
		if err := write(&got); err != nil {
			t.Fatal(err)
		}
		golden := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(golden, got.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got.String()); diff != "" {
			t.Errorf("differs from %s (-want +got):\n%s", golden, diff)
		}
	}
}

// The page is whole by itself, loads nothing, and every element is closed.
func TestThePageNeedsNothingElse(t *testing.T) {
	var page bytes.Buffer
	if err := sample(t).HTML(&page, load(t, "Europe/Berlin")); err != nil {
		t.Fatal(err)
	}
	for _, outside := range []string{"http://", "https://", "src=", "@import", "url(", "<script", "<link", "%!", "&lt;nil"} {
		if strings.Contains(page.String(), outside) {
			t.Errorf("the page holds %q", outside)
		}
	}
	for _, told := range []string{"Week 43 of 2026", "169 hours", "keyer tripped", "measurements on the mast", "share 0.2", "Q9XYZ in FN42AX", "18\u00a0129 km"} {
		if !strings.Contains(page.String(), told) && !strings.Contains(page.String(), strings.ReplaceAll(told, ">", "&gt;")) {
			t.Errorf("the page does not tell %q", told)
		}
	}
	elements := xml.NewDecoder(&page)
	elements.Strict, elements.AutoClose, elements.Entity = false, []string{"meta"}, xml.HTMLEntity
	for {
		if _, err := elements.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// What people wrote is shown as they wrote it and is never read as part of the
// page.
func TestTextOfPeopleIsNoPartOfThePage(t *testing.T) {
	r := sample(t)
	r.Hushes[0].Reason = `<script>alert("|")</script>`
	var page, text bytes.Buffer
	if err := r.HTML(&page, time.UTC); err != nil {
		t.Fatal(err)
	}
	if err := r.Markdown(&text, time.UTC); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page.String()+text.String(), "<script>") {
		t.Error("a reason is read as part of the page")
	}
}

func TestTheTableAndTheObjectSayTheSame(t *testing.T) {
	r := sample(t)
	var table, object bytes.Buffer
	if err := errors.Join(r.CSV(&table), r.JSON(&object)); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil || len(rows) != 1+1+6+24 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	var read report.Report
	if err := json.Unmarshal(object.Bytes(), &read); err != nil {
		t.Fatal(err)
	}
	if read.Schema != report.Schema || read.Sent != r.Sent || len(read.Beacons) != 24 || read.Figures.Heard != r.Figures.Heard || len(read.Heard) != 3 {
		t.Errorf("read back: %s, %d sent, %d beacons", read.Schema, read.Sent, len(read.Beacons))
	}
}
