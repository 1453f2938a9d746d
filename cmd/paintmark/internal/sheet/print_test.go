package sheet

import (
	"bytes"
	"context"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/fact"
	"paintmark/cmd/paintmark/internal/needs"
)

// browse runs a browser without a window on a page, with a folder of its own for
// what it keeps.
func browse(t *testing.T, browser string, args ...string) []byte {
	t.Helper()
	// Not t.TempDir: what the browser leaves running for a moment may still write
	// there, and that is no failure of the sheet.
	home, err := os.MkdirTemp("", "paintmark-browser-")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	args = append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--user-data-dir=" + home}, args...)
	cmd := exec.CommandContext(ctx, browser, args...)
	cmd.Env = append(os.Environ(), "HOME="+home, "XDG_CONFIG_HOME="+home, "XDG_CACHE_HOME="+home)
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Run(), "%s", &said)
	return out.Bytes()
}

// On either paper the sheet of a V6 on which much went wrong has some eight
// pages, each of that paper's size.
func TestPrintsOnPaper(t *testing.T) {
	browser := needs.Chromium(t)
	page, _ := written(t, mistakes(t).input(t))
	for _, paper := range []struct {
		name       string
		wide, high float64 // points: ISO 216, ANSI/ASME Y14.1
	}{{"A4", 595.3, 841.9}, {"Letter", 612, 792}} {
		t.Run(paper.name, func(t *testing.T) {
			dir := t.TempDir()
			file, pdf := filepath.Join(dir, "sheet.html"), filepath.Join(dir, "sheet.pdf")
			sized := bytes.Replace(page, []byte("</style>"), []byte("@page{size:"+paper.name+"}</style>"), 1)
			require.NoError(t, os.WriteFile(file, sized, 0o644))
			browse(t, browser, "--print-to-pdf="+pdf, file)
			text, err := os.ReadFile(pdf)
			require.NoError(t, err)
			require.True(t, bytes.HasPrefix(text, []byte("%PDF-")))
			sheets := regexp.MustCompile(`/Type\s*/Page\b`).FindAll(text, -1)
			require.GreaterOrEqual(t, len(sheets), 5)
			require.LessOrEqual(t, len(sheets), 12)
			boxes := regexp.MustCompile(`/MediaBox\s*\[0 0 ([0-9.]+) ([0-9.]+)\]`).FindAllSubmatch(text, -1)
			require.NotEmpty(t, boxes)
			for _, b := range boxes {
				require.InDelta(t, paper.wide, number(t, string(b[1])), 1)
				require.InDelta(t, paper.high, number(t, string(b[2])), 1)
			}
		})
	}
}

// measure is run in a copy of the page that is laid out as for paper, as wide as
// the two papers leave room for: 210 mm and 215.9 mm less two margins of 13 mm,
// at 96 pixels to the inch. It tells which cells hold more than they have room
// for, and how wide the page is.
const measure = `<script>addEventListener("load",()=>{const out=[];
for(const wide of [695,717]){document.documentElement.style.width=wide+"px";
out.push(wide+" "+document.body.scrollWidth);
for(const e of document.querySelectorAll("th,td,dd,dt,p,li,h1,h2,code"))
if(e.scrollWidth>e.clientWidth+1&&getComputedStyle(e).display!=="inline")out.push(e.textContent.slice(0,60)+" "+e.scrollWidth+">"+e.clientWidth)}
document.body.innerHTML="<pre></pre>";document.querySelector("pre").append(out.join("\n"))})</script>`

// No column is cut off on either paper, whatever stands in it.
func TestNothingIsWiderThanItsColumn(t *testing.T) {
	browser := needs.Chromium(t)
	dir := t.TempDir()
	long := strings.Repeat("longname", 20)
	wide := wrench
	wide.Name, wide.Address, wide.Profile = long, long, long
	r := mistakes(t)
	r.station = long
	r.reading("manifold/2", "stage-2", "160.123456789012345678901234567890123456 lbf·in", wide, status(long), angle("1234567.25°"))
	r.void(r.reading("manifold/5", "stage-2", "1234567.25 lbf·in", wide), long)
	r.add(fact.Note{What: fact.InstrumentLost, Instrument: long, Text: long})
	in := r.input(t)
	in.Build = long
	page, _ := written(t, in)
	text := string(page)
	csp := regexp.MustCompile(`<meta http-equiv[^>]*>`).FindString(text)
	require.NotEmpty(t, csp)
	text = strings.NewReplacer(csp, "", "@media screen", "@media not all", "@media print", "@media all", "</head>", measure+"</head>").Replace(text)
	file := filepath.Join(dir, "sheet.html")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	dom := browse(t, browser, "--window-size=1000,2000", "--hide-scrollbars", "--dump-dom", file)
	m := regexp.MustCompile(`(?s)<body><pre>(.*)</pre>`).FindSubmatch(dom)
	require.Len(t, m, 2, "%s", dom)
	require.Equal(t, "695 695\n717 717", html.UnescapeString(string(m[1])))
}
