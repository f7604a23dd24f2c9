package influx

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"coilward/collector"
	"coilward/collector/history"
)

// Options configures a DB.
type Options struct {
	URL     string
	Token   Secret // "user:password" for 1.8
	Org     string // empty for 1.8
	Bucket  string // "database/policy" for 1.8
	Timeout time.Duration
	Batch   int // points sent together; 5000 if 0

	Hold int // entries that Arrived holds in memory; 200,000 if 0

	// Of the copy only.
	Source   Source
	Cursor   string        // file that holds how far the copy is
	Every    time.Duration // how often to look for new readings; 1 s if 0
	Retry    time.Duration // after a failure, doubled up to a minute; 1 s if 0
	Log      zerolog.Logger
	Registry prometheus.Registerer // none if nil
}

// Secret does not show itself.
type Secret string

func (Secret) String() string { return "***" }

// GoString keeps it out of %#v.
func (Secret) GoString() string { return "***" }

// Source is the history that is copied.
type Source interface {
	Since(ctx context.Context, seq uint64, each func(*history.Entry) error) error
	FirstSeq() uint64
	LastSeq() uint64
}

// DB is a history in InfluxDB.
type DB struct {
	o       Options
	client  influxdb2.Client
	write   api.WriteAPIBlocking
	query   api.QueryAPI
	metrics *metrics
	failing atomic.Pointer[error] // of the last attempt to copy; nil: it went well
}

// Failing returns why the copy does not go on just now; nil: it does.
func (d *DB) Failing() error {
	if err := d.failing.Load(); err != nil {
		return *err
	}
	return nil
}

const lastRetry = time.Minute

// New returns a DB. Nothing is sent yet.
func New(o Options) *DB {
	if o.Timeout <= 0 {
		o.Timeout = 20 * time.Second
	}
	if o.Batch <= 0 {
		o.Batch = 5000
	}
	if o.Retry <= 0 {
		o.Retry = time.Second
	}
	if o.Every <= 0 {
		o.Every = time.Second
	}
	options := influxdb2.DefaultOptions().
		SetPrecision(time.Millisecond).SetUseGZip(true).SetLogLevel(0).
		SetHTTPClient(&http.Client{Timeout: o.Timeout, Transport: http.DefaultTransport.(*http.Transport).Clone()})
	client := influxdb2.NewClientWithOptions(o.URL, string(o.Token), options)
	return &DB{
		o: o, client: client,
		write:   client.WriteAPIBlocking(o.Org, o.Bucket),
		query:   client.QueryAPI(o.Org),
		metrics: newMetrics(o.Registry),
	}
}

// Close gives up the connections.
func (d *DB) Close() {
	d.client.Close()
	d.client.Options().HTTPClient().CloseIdleConnections()
}

var errEnough = errors.New("batch is full")

// Run copies the history until ctx is done. Its error is that of the source or
// the cursor's file; InfluxDB's are waited out.
func (d *DB) Run(ctx context.Context) error {
	at, err := loadCursor(d.o.Cursor)
	if err != nil {
		return err
	}
	tick := time.NewTicker(d.o.Every)
	defer tick.Stop()
	for {
		if first := d.o.Source.FirstSeq(); at+1 < first {
			lost := first - 1 - at
			d.metrics.lost.Add(float64(lost))
			d.o.Log.Error().Uint64("readings", lost).Msg("influx: readings were dropped from the history before they could be copied")
			at = first - 1
		}
		if last := d.o.Source.LastSeq(); at > last {
			d.o.Log.Warn().Uint64("cursor", at).Uint64("last", last).Msg("influx: the cursor is ahead of the history, as after restoring a backup; going on from the history's end")
			at = last
		}
		d.metrics.backlog.Set(float64(d.o.Source.LastSeq() - at))
		batch, err := d.next(ctx, at)
		if err != nil && ctx.Err() == nil {
			return err
		}
		if len(batch) == 0 || ctx.Err() != nil {
			select {
			case <-ctx.Done():
				return nil
			case <-tick.C:
			}
			continue
		}
		if !d.send(ctx, batch) {
			return nil // not sent; the cursor stays
		}
		at = batch[len(batch)-1].Seq
		if err := saveCursor(d.o.Cursor, at); err != nil {
			return err
		}
	}
}

// next returns the next readings after a sequence number.
func (d *DB) next(ctx context.Context, after uint64) ([]history.Entry, error) {
	var batch []history.Entry
	err := d.o.Source.Since(ctx, after, func(e *history.Entry) error {
		batch = append(batch, *e)
		if len(batch) >= d.o.Batch {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return batch, err
}

// send tries until the batch is in InfluxDB, and reports whether it is: not
// when ctx is done before.
func (d *DB) send(ctx context.Context, batch []history.Entry) bool {
	said := false
	for wait := d.o.Retry; ; wait = min(2*wait, lastRetry) {
		err := d.put(ctx, batch)
		if err == nil {
			d.metrics.up.Set(1)
			d.failing.Store(nil)
			return true
		}
		if ctx.Err() != nil {
			return false
		}
		if !said {
			said = true
			d.o.Log.Error().Err(err).Msg("influx: not reachable or refusing; the history keeps what is to be copied")
		}
		d.metrics.errors.Inc()
		d.metrics.up.Set(0)
		d.failing.Store(&err)
		timer := time.NewTimer(max(wait, retryAfter(err)))
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return false
		}
	}
}

// put sends a batch once. Where InfluxDB says that a point is bad, the batch is
// split until that point is alone, counted and left out; any other error is
// returned.
func (d *DB) put(ctx context.Context, batch []history.Entry) error {
	points := make([]*write.Point, len(batch))
	for i := range batch {
		points[i] = point(&batch[i])
	}
	err := d.write.WritePoint(ctx, points...)
	var refused *influxhttp.Error
	if err == nil {
		d.metrics.copied.Add(float64(len(batch)))
		return nil
	}
	if !errors.As(err, &refused) || !slices.Contains([]int{http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity}, refused.StatusCode) {
		return err
	}
	if len(batch) == 1 {
		d.metrics.refused.Inc()
		d.o.Log.Warn().Err(err).Str("machine", batch[0].Machine).Time("event_time", batch[0].At.Time()).Msg("influx: a reading is refused for good; it stays in the history")
		return nil
	}
	half := len(batch) / 2
	if err := d.put(ctx, batch[:half]); err != nil {
		return err
	}
	return d.put(ctx, batch[half:])
}

func retryAfter(err error) time.Duration {
	if e := (*influxhttp.Error)(nil); errors.As(err, &e) {
		return min(time.Duration(e.RetryAfter)*time.Second, lastRetry)
	}
	return 0
}

// Append writes readings at once, as the copy does; an error means that some may
// not be stored.
func (d *DB) Append(ctx context.Context, readings []collector.Reading) error {
	entries := make([]history.Entry, len(readings))
	for i := range readings {
		entries[i].Reading = readings[i]
	}
	for chunk := range slices.Chunk(entries, d.o.Batch) {
		if err := d.put(ctx, chunk); err != nil {
			return err
		}
	}
	return nil
}

// Names of fields that are not channels.
const (
	measurement   = "reading"
	receivedField = "received"
	seqField      = "seq"
	statusField   = "status"
	extraPrefix   = "extra/"
	unitPrefix    = "unit/"
	textPrefix    = "text/"
)

// The line protocol of the client has no line breaks; text goes through these.
var (
	escape   = strings.NewReplacer(`\`, `\\`, "\n", `\n`, "\r", `\r`)
	unescape = strings.NewReplacer(`\\`, `\`, `\n`, "\n", `\r`, "\r")
)

func point(e *history.Entry) *write.Point {
	p := write.NewPointWithMeasurement(measurement).AddTag("machine", e.Machine).AddTag("site", e.Site).
		SetTime(e.At.Time()).AddField(receivedField, int64(e.Received)).AddField(seqField, int64(e.Seq))
	if e.Status != collector.NoStatus {
		p.AddField(statusField, int64(e.Status))
	}
	for c := range e.Has.All {
		p.AddField(c.String(), e.Value[c])
	}
	for _, x := range e.Extra {
		name := strings.ToValidUTF8(x.Name, "�")
		if x.Text != "" {
			p.AddField(textPrefix+name, escape.Replace(x.Text))
		} else {
			p.AddField(extraPrefix+name, x.Value)
		}
		if x.Unit != "" {
			p.AddField(unitPrefix+name, x.Unit)
		}
	}
	return p
}
