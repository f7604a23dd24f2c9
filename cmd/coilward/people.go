package main

import (
	"context"
	"os"
	"slices"

	"coilward/alerts/ledger"
	"coilward/alerts/notify"
)

// boardPeople is who is told, for the board.
type boardPeople struct{ d *daemon }

// People are those of the people file, and techs with contacts of their own.
func (b boardPeople) People() []notify.Person {
	out := slices.Clone(b.d.team.Settings().People)
	if b.d.dispatch == nil {
		return out
	}
	for _, m := range b.d.dispatch.Crew().Techs {
		p := b.d.team.Tech(&m)
		i := slices.IndexFunc(out, func(o notify.Person) bool { return o.ID == p.ID })
		if i < 0 {
			out = append(out, *p)
			continue
		}
		// On the rotas too: alerts go where the people file says, routes where the
		// techs' contacts say.
		out[i].Contacts = slices.Clone(out[i].Contacts)
		for _, c := range p.Contacts {
			if !slices.ContainsFunc(out[i].Contacts, func(o notify.Contact) bool { return o.Channel == c.Channel && o.To == c.To }) {
				out[i].Contacts = append(out[i].Contacts, c)
			}
		}
	}
	return out
}

func (b boardPeople) Rotas() []notify.Rota { return b.d.team.Settings().Rotas }

func (b boardPeople) Test(ctx context.Context, p *notify.Person, c notify.Contact) error {
	if err := b.d.ledger.Put(ctx, b.d.team.Test(p, c, b.d.clock.Now())); err != nil {
		return err
	}
	b.d.notify.Wake()
	return nil
}

func (b boardPeople) LastTest(ctx context.Context, person string, c notify.Contact) (ledger.Message, bool, error) {
	return b.d.ledger.NewestOf(ctx, notify.TestKey(person, c))
}

func (b boardPeople) Undelivered(ctx context.Context, limit int) ([]ledger.Message, error) {
	return b.d.ledger.Undelivered(ctx, limit)
}

func (b boardPeople) Retry(ctx context.Context, key string) error {
	if err := b.d.ledger.Retry(ctx, key, b.d.clock.Now()); err != nil {
		return err
	}
	b.d.notify.Wake()
	return nil
}

func (b boardPeople) MessagesOf(ctx context.Context, alert string) ([]ledger.Message, error) {
	return b.d.ledger.MessagesOf(ctx, alert)
}

// reloadPeople reads the people file again; one with errors leaves the old one in
// use.
func (d *daemon) reloadPeople() {
	name := d.config.Notify.PeopleFile
	if _, err := os.Stat(name); name == "" || err != nil {
		return
	}
	settings, err := d.config.Notify.people()
	if err == nil {
		err = d.team.Check(settings)
	}
	if err != nil {
		for _, e := range apart(err) {
			d.log.Error().Err(e).Msg("the people file was not taken; the one before stays in use")
		}
		return
	}
	d.setPeople(settings)
	d.bell.Ring()
	d.log.Info().Int("people", len(settings.People)).Int("rotas", len(settings.Rotas)).Msg("people file read again")
}
