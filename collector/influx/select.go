package influx

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"coilward/collector"
)

// ask sends InfluxQL, which answers a row a reading where Flux answers a row a
// value. The body must be closed.
func (d *DB) ask(ctx context.Context, query, accept string) (body io.ReadCloser, err error) {
	database, policy, _ := strings.Cut(d.o.Bucket, "/")
	form := url.Values{"q": {query}, "db": {database}, "epoch": {"ms"}, "chunked": {"true"}, "chunk_size": {"10000"}}
	if policy != "" {
		form.Set("rp", policy)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, strings.TrimSuffix(d.o.URL, "/")+"/query", strings.NewReader(form.Encode()))
	if err != nil {
		return nil, fmt.Errorf("influx: %w", err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Accept", accept)
	if d.o.Token != "" {
		request.Header.Set("Authorization", "Token "+string(d.o.Token))
	}
	response, err := d.client.Options().HTTPClient().Do(request)
	if err != nil {
		return nil, fmt.Errorf("influx: reading: %w", err)
	}
	if response.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(response.Body, 2048)) // what there is of it will do
		response.Body.Close()
		return nil, fmt.Errorf("influx: reading: %s: %s", response.Status, problemOf(text))
	}
	return response.Body, nil
}

// series is a part of a short answer.
type series struct {
	Tags   map[string]string
	Values [][]float64 // the first column is the time
}

// short asks for a few numbers.
func (d *DB) short(ctx context.Context, query string) ([]series, error) {
	body, err := d.ask(ctx, query, "application/json")
	if err != nil {
		return nil, err
	}
	defer body.Close()
	var out []series
	for chunks := json.NewDecoder(body); ; {
		var chunk struct {
			Error   string
			Results []struct {
				Error  string
				Series []series
			}
		}
		err := chunks.Decode(&chunk)
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err == nil && chunk.Error != "" {
			err = errors.New(chunk.Error)
		}
		for _, r := range chunk.Results {
			if r.Error != "" {
				err = errors.Join(err, errors.New(r.Error))
			}
			out = append(out, r.Series...)
		}
		if err != nil {
			return nil, fmt.Errorf("influx: reading: %w", err)
		}
	}
}

// rows yields the rows a condition holds for, as they come. fields is the
// callee's until it returns. A table of comma-separated values is quick to read,
// but a problem that is met while it is sent only makes it shorter: so the
// readings are counted before.
func (d *DB) rows(ctx context.Context, where string, each func(h *heading, fields []string) error) error {
	counted, err := d.short(ctx, fmt.Sprintf(`SELECT COUNT(%s) FROM %q WHERE %s`, seqField, measurement, where))
	if err != nil {
		return err
	}
	want := 0
	for _, s := range counted {
		for _, v := range s.Values {
			want += int(v[len(v)-1])
		}
	}
	if want == 0 {
		return nil
	}
	body, err := d.ask(ctx, fmt.Sprintf(`SELECT * FROM %q WHERE %s`, measurement, where), "application/csv")
	if err != nil {
		return err
	}
	defer body.Close()
	n := 0
	err = readTable(body, func(h *heading, fields []string) error {
		if i, ok := h.columns[seqField]; ok && fields[i] != "" {
			n++
		}
		return each(h, fields)
	})
	if err == nil && n < want {
		err = fmt.Errorf("%d readings came of %d: InfluxDB stopped short, see its log for why", n, want)
	}
	if err != nil {
		return fmt.Errorf("influx: reading: %w", err)
	}
	return nil
}

// problemOf returns the message of an answer that tells a problem.
func problemOf(text []byte) string {
	var said struct{ Error, Message string }
	if json.Unmarshal(text, &said) == nil && said.Error+said.Message != "" {
		return said.Error + said.Message
	}
	return strings.TrimSpace(string(text))
}

// readTable reads rows below their headings. A new heading follows where columns
// change.
func readTable(body io.Reader, each func(h *heading, fields []string) error) error {
	r := csv.NewReader(body)
	r.ReuseRecord, r.FieldsPerRecord = true, -1
	var h *heading
	for {
		fields, err := r.Read()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case len(fields) > 2 && fields[0] == "name" && fields[1] == "tags":
			h = newHeading(fields)
			continue
		case h == nil || len(fields) != len(h.names):
			return fmt.Errorf("an answer that makes no sense: %q", fields)
		}
		if err := each(h, fields); err != nil {
			return err
		}
	}
}

// kind is what a column holds.
type kind uint8

const (
	isNothing kind = iota
	isTime
	isReceived
	isSeq
	isStatus
	isChannel
	isExtra
	isUnit
	isText
)

// heading is the names of the columns, and what they mean.
type heading struct {
	names   []string
	columns map[string]int
	meaning []struct {
		kind    kind
		channel collector.Channel
		name    string
	}
	before tags
}

// tags say whose a row is.
type tags struct{ machine, site string }

func newHeading(fields []string) *heading {
	h := &heading{names: slices.Clone(fields), columns: map[string]int{}}
	h.meaning = make([]struct {
		kind    kind
		channel collector.Channel
		name    string
	}, len(fields))
	for i, name := range h.names {
		h.names[i] = strings.Clone(name)
		h.columns[h.names[i]] = i
		m := &h.meaning[i]
		if c, ok := collector.ChannelByName(name); ok {
			m.kind, m.channel = isChannel, c
			continue
		}
		switch name {
		case "time":
			m.kind = isTime
		case receivedField:
			m.kind = isReceived
		case seqField:
			m.kind = isSeq
		case statusField:
			m.kind = isStatus
		}
		for prefix, k := range map[string]kind{extraPrefix: isExtra, unitPrefix: isUnit, textPrefix: isText} {
			if rest, ok := strings.CutPrefix(h.names[i], prefix); ok {
				m.kind, m.name = k, rest
			}
		}
	}
	return h
}

// tags reads machine and site.
func (h *heading) tags(fields []string) tags {
	t := tags{}
	if i, ok := h.columns["machine"]; ok {
		t.machine = fields[i]
	}
	if i, ok := h.columns["site"]; ok {
		t.site = fields[i]
	}
	if t == h.before {
		return h.before // one copy of each name, rather than one a row
	}
	h.before = tags{strings.Clone(t.machine), strings.Clone(t.site)}
	return h.before
}
