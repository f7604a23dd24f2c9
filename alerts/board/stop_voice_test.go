package board

import (
	"html"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"coilward/alerts/notify"
	"coilward/detect/fault"
)

var (
	inTag    = regexp.MustCompile(`(?s)<(script|style)>.*?</(script|style)>|<[^>]*>`)
	label    = regexp.MustCompile(`aria-label="([^"]*)"`)
	defined  = regexp.MustCompile(`(?m)^{{define "(page\.[^"]+)"}}(.*){{end}}$`)
	pageText = "../notify/templates/"
)

// words are the words of pages in a language.
func words(t *testing.T, language string) map[string]string {
	t.Helper()
	text, err := os.ReadFile(pageText + language + "/page.txt")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, m := range defined.FindAllStringSubmatch(string(text), -1) {
		out[m[1]] = m[2]
	}
	if len(out) < 100 {
		t.Fatalf("%s: only %d words", language, len(out))
	}
	return out
}

// noEnglish complains of English on a page in Spanish.
func noEnglish(t *testing.T, what, page string) {
	t.Helper()
	seen := html.UnescapeString(inTag.ReplaceAllString(page, " "))
	for _, m := range label.FindAllStringSubmatch(page, -1) {
		seen += "\n" + html.UnescapeString(m[1])
	}
	english, spanish := words(t, "en"), words(t, "es")
	for name, text := range english {
		if strings.Contains(text, "{{") || text == spanish[name] || name == "page.lang" {
			continue
		}
		if regexp.MustCompile(`(^|[^\pL])` + regexp.QuoteMeta(text) + `($|[^\pL])`).MatchString(seen) {
			t.Errorf("%s says %q", what, text)
		}
	}
	for f := range fault.Fault(fault.Num) {
		if f != fault.Silent && f != fault.Well && strings.Contains(seen, f.Title()) {
			t.Errorf("%s says %q", what, f.Title())
		}
	}
	for _, day := range []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat"} {
		if regexp.MustCompile(`\b` + day + `\b`).MatchString(seen) {
			t.Errorf("%s says %q", what, day)
		}
	}
	if !strings.Contains(page, `<html lang="es">`) {
		t.Errorf("%s is said to be in another language", what)
	}
}

// A tech who reads Spanish has a Spanish page through the whole visit: what is said,
// pressed, checked, refused and handed over.
func TestStopInSpanish(t *testing.T) {
	w, r, b := onDuty(t)
	r.roster.Techs[0].Language = "es"
	path, _ := firstStop(t, r, b)
	alert := r.Day().Plan.Routes[0].Visits[0].Stop.Jobs[0].Alert
	form := func(pairs ...string) url.Values {
		v := url.Values{"alert": {alert}}
		for i := 0; i+1 < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	for _, step := range []struct {
		act  string
		form url.Values
		code int
		want []string
	}{
		{"", nil, 200, []string{"Todavía no sale para allá", "Tomo esta parada", "Voy en camino", "Precauciones", "conserve el enchufe", "Parada 1 de su ruta", "Probablemente"}},
		{"take", nil, 200, []string{"Voy en camino"}},
		{"done", nil, 409, []string{"Avise primero que llegó a", "Volver a la parada"}},
		{"driving", nil, 200, []string{"Va en camino desde", "Ya llegué"}},
		{"arrived", nil, 200, []string{"Está aquí desde", "¿Se mueve aire en el evaporador?", "la que más dice por su tiempo", "ventilador del evaporador", "vender", "Qué tenía"}},
		{"answer", form("check", "evaporator-air", "answer", "none"), 200, []string{"Visto hasta ahora", "No se mueve", "Deshacer"}},
		{"timer", form("check", "sealed-system"), 200, []string{"Mire a las", "empezó"}},
		{"measure", form("temp", "warm"), 409, []string{"Escriba la temperatura como un número"}},
		{"measure", form("temp", "4,5", "unit", "C"), 200, []string{"Medido entre paquetes, °C", `value="4.5"`}},
		{"outcome", form("kind", "repaired", "product", ""), 409, []string{"Diga qué tenía y qué reparó", "Diga qué se hizo con el producto"}},
		{"outcome", form("kind", "handed-over", "product", "hold", "fault", "refrigerant-low", "what", "media escarcha"), 200, []string{"Pasada a un mecánico con licencia", "media escarcha", "Hoja para el mecánico"}},
		{"done", nil, 200, []string{"Ya terminó aquí", "Siguiente", "antes de"}},
	} {
		code, page := 200, ""
		if step.act == "" {
			page = get(t, b, path).Body.String()
		} else {
			code, page = press(t, b, path+"/"+step.act, step.form)
		}
		if code != step.code {
			t.Fatalf("%s: %d\n%s", step.act, code, page)
		}
		has(t, page, step.want...)
		noEnglish(t, "after "+step.act+" the page", page)
		w.pass(7 * time.Minute)
	}
	sheet := get(t, b, path+"/sheet?alert="+alert).Body.String()
	has(t, sheet, "Lo que muestran los sensores", "Se mueve aire en el evaporador: No se mueve", "Producto medido: 4.5", "Sistema sellado", "Nombre, número de licencia, fecha")
	noEnglish(t, "the sheet", strings.Replace(sheet, "door open: shut", "", 1)) // an invented piece of evidence
	// The board's own page of the alert is in English as ever.
	has(t, get(t, b, "/alerts/"+alert).Body.String(), "handed over to a licensed mechanic")
	text := get(t, b, "/route/ben/text").Body.String()
	if !strings.Contains(text, "su ruta a las") || !strings.Contains(text, "Precauciones") {
		t.Errorf("the route as text:\n%s", text)
	}
}

// An alert is shown to the person of its link in their language; whom a broken link
// was for is not known, so it is said in the phone's own.
func TestAlertByLinkInSpanish(t *testing.T) {
	w, p, b := withPeople(t) // Ana reads Spanish
	b.links = &notify.Links{Key: []byte("an invented key of thirty-two by")}
	path := "/take/" + b.links.Token(notify.Grant{Alert: "A-000001", Person: p.People()[0].ID, Until: w.now.Add(time.Hour).Unix()})
	page := get(t, b, path).Body.String()
	has(t, page, "Yo me encargo", "CRÍTICA", "ventilador del evaporador", "Precauciones", "conserve el enchufe", "Abierta")
	noEnglish(t, "the alert", page)
	_, page = press(t, b, path, nil)
	has(t, page, "La tomó ana")
	noEnglish(t, "the alert that was taken", page)
	other := get(t, b, "/take/"+b.links.Token(notify.Grant{Alert: "A-000004", Person: "ben", Until: w.now.Add(time.Hour).Unix()})).Body.String()
	has(t, other, "I take it", `<html lang="en">`)
	broken := get(t, b, "/take/x", "Accept-Language", "es-MX,es;q=0.9").Body.String()
	has(t, broken, "Este enlace no funciona")
	noEnglish(t, "a broken link", broken)
	has(t, get(t, b, "/take/x", "Accept-Language", "fr").Body.String(), "This link does not work")
}

// In Chromium the Spanish page keeps what is pressed without a connection, and says so
// in Spanish.
func TestSpanishPhoneOffline(t *testing.T) {
	chrome := browser(t)
	_, r, b := onDuty(t)
	r.roster.Techs[0].Language = "es"
	server := httptest.NewServer(b)
	t.Cleanup(server.Close)
	path, _ := firstStop(t, r, b)
	p := &phone{t: t, ctx: tab(t, chrome, 390, 844, false), name: "es"}
	p.open(server.URL + path)
	p.press("Voy en camino", "Va en camino desde")
	p.press("Ya llegué", "Está aquí desde")
	p.press("Iniciar cronómetro de 15\u00a0min", ":")
	until(t, p.ctx, `document.querySelector("[data-left]")?.textContent.includes("quedan")`)
	eval[bool](t, p.ctx, `(document.querySelectorAll("details").forEach((d) => { d.open = true; }), true)`)
	p.look()
	eval[bool](t, p.ctx, `(window.fetch = () => Promise.reject(new TypeError("no connection")), true)`)
	p.press("No se mueve", "aire")
	until(t, p.ctx, `document.getElementById("kept").innerText.includes("Sin conexión. Lo que pulsó")`)
	if err := chromedp.Do(p.ctx, chromedp.WaitReady("footer")); err != nil {
		t.Fatal(err)
	}
	p.look()
}
