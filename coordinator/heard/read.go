package heard

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The bounds of a file of reports.
const (
	MaxBytes   = 8 << 20
	MaxReports = 100_000
	longestCSV = 4096 // bytes of a field
)

// Columns is the header of a CSV file of reports. Their order is free, and other
// columns are left unread; snr_db and drift_hz may be missing or empty. time is
// RFC 3339 and may be any instant within the slot; receiver_locator has 4, 6 or
// 8 characters.
func Columns() []string {
	return []string{"time", "callsign", "frequency_hz", "snr_db", "drift_hz", "receiver", "receiver_locator"}
}

// Refused is a report that could not be read.
type Refused struct {
	Line     int // of the file, or the number of the record, from 1
	Sentence string
}

// ReadCSV reads reports from CSV. The error says what is wrong with the file as a
// whole; what is wrong with single reports stands in refused.
func ReadCSV(text []byte, rules Rules) (read []Reception, refused []Refused, err error) {
	if err := checkSize(text); err != nil {
		return nil, nil, err
	}
	in := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))))
	in.FieldsPerRecord, in.ReuseRecord, in.TrimLeadingSpace = -1, true, true
	header, err := in.Read()
	if err != nil {
		return nil, nil, fmt.Errorf("the file has no header; its first line has to be %s", strings.Join(Columns(), ","))
	}
	at := map[string]int{}
	for i, name := range header {
		at[strings.ToLower(strings.TrimSpace(name))] = i
	}
	for _, name := range Columns() {
		if _, ok := at[name]; !ok && name != "snr_db" && name != "drift_hz" {
			return nil, nil, fmt.Errorf("the header has no column %s; it has to have %s", name, strings.Join(Columns(), ","))
		}
	}
	for {
		row, err := in.Read()
		if errors.Is(err, io.EOF) {
			return read, refused, nil
		}
		if broken, ok := errors.AsType[*csv.ParseError](err); ok {
			return read, append(refused, Refused{broken.StartLine, "it can't be read as CSV, nor what follows: " + broken.Err.Error()}), nil
		}
		line, _ := in.FieldPos(0)
		if len(read)+len(refused) >= MaxReports {
			return read, append(refused, Refused{line, fmt.Sprintf("a file has %d reports at most; give the rest in another", MaxReports)}), nil
		}
		reception, err := csvReport(row, at, rules)
		if err != nil {
			refused = append(refused, Refused{line, err.Error()})
			continue
		}
		read = append(read, reception)
	}
}

func checkSize(text []byte) error {
	if len(text) > MaxBytes {
		return fmt.Errorf("the file has %d bytes, and %d are read at most; give it in parts", len(text), MaxBytes)
	}
	return nil
}

func csvReport(row []string, at map[string]int, rules Rules) (Reception, error) {
	cell := func(name string) string {
		if i, ok := at[name]; ok && i < len(row) && len(row[i]) <= longestCSV {
			return strings.TrimSpace(row[i])
		}
		return ""
	}
	f := fields{callsign: cell("callsign"), receiver: cell("receiver"), receiverLocator: cell("receiver_locator")}
	var err error
	if f.at, err = time.Parse(time.RFC3339, cell("time")); err != nil {
		return Reception{}, fmt.Errorf("%.40q is no time; write it like 2026-11-24T09:16:00Z", cell("time"))
	}
	if f.hertz, err = strconv.ParseFloat(cell("frequency_hz"), 64); err != nil {
		return Reception{}, fmt.Errorf("%.40q is no frequency in hertz", cell("frequency_hz"))
	}
	if f.snr, err = optional(cell("snr_db")); err != nil {
		return Reception{}, err
	}
	if f.drift, err = optional(cell("drift_hz")); err != nil {
		return Reception{}, err
	}
	return rules.check(f)
}

func optional(text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return nil, fmt.Errorf("%.40q is no number", text)
	}
	return &v, nil
}

// ReadADIF reads reports from ADIF 3.1 (adif.org). Of each record count CALL, the
// station that was heard; STATION_CALLSIGN or OPERATOR, and MY_GRIDSQUARE: the
// receiver; QSO_DATE, TIME_ON, FREQ in MHz, and RST_RCVD, if it is a number.
func ReadADIF(text []byte, rules Rules) (read []Reception, refused []Refused, err error) {
	if err := checkSize(text); err != nil {
		return nil, nil, err
	}
	if i := indexFold(text, "<EOH>"); i >= 0 { // without a header there are only records
		text = text[i+len("<EOH>"):]
	}
	record := map[string]string{}
	for n := 1; ; {
		name, value, rest, ok := nextField(text)
		if !ok {
			return read, refused, nil
		}
		text = rest
		if name != "EOR" {
			record[name] = value
			continue
		}
		if n > MaxReports {
			return read, append(refused, Refused{n, fmt.Sprintf("a file has %d reports at most; give the rest in another", MaxReports)}), nil
		}
		reception, err := adifReport(record, rules)
		if err != nil {
			refused = append(refused, Refused{n, err.Error()})
		} else {
			read = append(read, reception)
		}
		n++
		clear(record)
	}
}

func indexFold(text []byte, what string) int {
	for i := 0; i+len(what) <= len(text); i++ {
		if text[i] == '<' && strings.EqualFold(string(text[i:i+len(what)]), what) {
			return i
		}
	}
	return -1
}

// nextField reads <NAME:LENGTH[:TYPE]>DATA; false: there is none any more. Text
// between fields says nothing.
func nextField(text []byte) (name, value string, rest []byte, ok bool) {
	for {
		open := bytes.IndexByte(text, '<')
		if open < 0 {
			return "", "", nil, false
		}
		text = text[open+1:]
		end := bytes.IndexByte(text, '>')
		if end < 0 {
			return "", "", nil, false
		}
		parts := strings.Split(string(text[:min(end, 100)]), ":")
		after := text[end+1:]
		name = strings.ToUpper(strings.TrimSpace(parts[0]))
		if len(parts) == 1 && name == "EOR" {
			return name, "", after, true
		}
		if len(parts) < 2 {
			continue
		}
		length, err := strconv.Atoi(parts[1])
		if err != nil || length < 0 || length > len(after) {
			continue
		}
		return name, strings.TrimSpace(string(after[:length])), after[length:], true
	}
}

func adifReport(record map[string]string, rules Rules) (Reception, error) {
	f := fields{callsign: record["CALL"], receiverLocator: record["MY_GRIDSQUARE"]}
	if f.receiver = record["STATION_CALLSIGN"]; f.receiver == "" {
		f.receiver = record["OPERATOR"]
	}
	clock := record["TIME_ON"]
	if len(clock) == len("1504") {
		clock += "00"
	}
	at, err := time.Parse("20060102 150405", record["QSO_DATE"]+" "+clock)
	if err != nil {
		return Reception{}, fmt.Errorf("QSO_DATE %.20q and TIME_ON %.20q are no time", record["QSO_DATE"], record["TIME_ON"])
	}
	megahertz, err := strconv.ParseFloat(record["FREQ"], 64)
	if err != nil {
		return Reception{}, fmt.Errorf("FREQ %.20q is no frequency in MHz", record["FREQ"])
	}
	f.at, f.hertz = at, megahertz*1e6
	if snr, err := strconv.ParseFloat(record["RST_RCVD"], 64); err == nil {
		f.snr = &snr
	}
	return rules.check(f)
}

// Forms lists how a file of reports can be written.
func Forms() []string { return []string{"csv", "adif"} }

// Read reads a file in one of the Forms.
func Read(form string, text []byte, rules Rules) ([]Reception, []Refused, error) {
	switch {
	case !slices.Contains(Forms(), form):
		return nil, nil, fmt.Errorf("%.20q is no form of reports: csv or adif", form)
	case form == "adif":
		return ReadADIF(text, rules)
	}
	return ReadCSV(text, rules)
}
