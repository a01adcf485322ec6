package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"
)

// outputFlag chooses the form of a result.
type outputFlag struct {
	Output string `enum:"table,json,csv" default:"table" placeholder:"FORM" help:"table for people, json or csv for programs."`
}

// table is a result as rows. An empty cell is something unknown.
type table struct {
	columns []string
	rows    [][]string
}

// write prints a result: value as JSON, or the rows.
func (o outputFlag) write(w io.Writer, rows table, value any) error {
	switch o.Output {
	case "json":
		return writeJSON(w, value)
	case "csv":
		return rows.csv(w)
	}
	return rows.text(w)
}

func writeJSON(w io.Writer, value any) error {
	out := json.NewEncoder(w)
	out.SetIndent("", "  ")
	out.SetEscapeHTML(false)
	return out.Encode(value)
}

func (t table) csv(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.WriteAll(append([][]string{t.columns}, t.rows...)); err != nil {
		return err
	}
	return out.Error()
}

func (t table) text(w io.Writer) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i, row := range append([][]string{t.columns}, t.rows...) {
		cells := make([]string, len(row))
		for j, cell := range row {
			switch {
			case i == 0:
				cell = strings.ReplaceAll(cell, "_", " ")
			case cell == "":
				cell = "-"
			}
			cells[j] = cell
		}
		if _, err := fmt.Fprintln(out, strings.TrimRight(strings.Join(cells, "\t"), "\t")); err != nil {
			return err
		}
	}
	return out.Flush()
}

// instant is a time as a person writes it: RFC 3339, with its zone.
type instant struct{ time.Time }

// UnmarshalText reads 2026-12-01T00:00:00Z.
func (i *instant) UnmarshalText(text []byte) error {
	at, err := time.Parse(time.RFC3339, string(text))
	if err != nil {
		return fmt.Errorf("%.40q is no time; write it like 2026-12-01T00:00:00Z, with Z for UTC or an offset such as +01:00", text)
	}
	i.Time = at.UTC()
	return nil
}

// writeFile writes a result to a file, or to w where no file is named.
func writeFile(w io.Writer, file string, mode os.FileMode, text []byte) error {
	if file == "" {
		_, err := w.Write(text)
		return err
	}
	out, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, mode) //nolint:gosec // the person names the file
	if err != nil {
		return err
	}
	err = out.Chmod(mode) // a file that was there had its own
	if err == nil {
		_, err = out.Write(text)
	}
	if closed := out.Close(); err == nil {
		err = closed
	}
	return err
}

// onTerminal says whether w is a terminal, where progress may be shown.
func onTerminal(w io.Writer) bool { return terminalLines(w) > 0 }

// terminalLines is how many lines the terminal w has; 0: it is none.
func terminalLines(w io.Writer) int {
	file, ok := w.(*os.File)
	if !ok {
		return 0
	}
	_, lines, err := term.GetSize(int(file.Fd()))
	if err != nil {
		return 0
	}
	return max(1, lines) // a terminal may not know its size
}
