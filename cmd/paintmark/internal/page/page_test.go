package page

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"html"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"paintmark/calc/fact"
	"paintmark/calc/quantity"
	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/needs"
)

func documentOf(t testing.TB, text string) document {
	t.Helper()
	m := regexp.MustCompile(`(?s)<script type="application/json" id="data">(.*?)</script>`).FindAllStringSubmatch(text, -1)
	require.Len(t, m, 1)
	var d document
	require.NoError(t, json.Unmarshal([]byte(m[0][1]), &d))
	return d
}

func values(s series) []string {
	if len(s.Text) > 0 {
		return s.Text
	}
	list, sum := []string{}, int64(0)
	for _, step := range s.Steps {
		sum += step
		list = append(list, big.NewInt(sum).String())
	}
	return list
}

func written(list []int64) []string {
	out := []string{}
	for _, v := range list {
		out = append(out, big.NewInt(v).String())
	}
	return out
}

// Every sample of the book is in the page, exactly.
func TestThePageHasTheSamplesOfTheBook(t *testing.T) {
	w := head(t)
	d := documentOf(t, w.page())
	require.Len(t, d.Pulls, len(w.samples))
	for _, p := range d.Pulls {
		kept := w.samples[p.Point+" "+string(p.Pass)]
		require.NotNil(t, kept)
		require.Equal(t, kept.Tick.Nanoseconds(), p.Samples.Tick)
		require.Equal(t, written(kept.Times), values(p.Samples.Times))
		require.Equal(t, written(kept.Torque.Values), values(p.Samples.Torque.series))
		require.Equal(t, kept.Torque.Exponent, p.Samples.Torque.Exponent)
		require.Equal(t, kept.Torque.Unit.String(), p.Samples.Torque.Unit)
		require.Equal(t, written(kept.Angle.Values), values(p.Samples.Angle.series))
	}
}

// Sums of the steps stay within what JavaScript adds exactly (ECMA-262, 21.1.2.8), or
// the values are text.
func TestSeriesAreExact(t *testing.T) {
	const safe = 1<<53 - 1
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.OneOf(rapid.Int64(), rapid.Int64Range(-exactly-1, exactly+1), rapid.Int64Range(-9, 9)), 1, 20).Draw(t, "values")
		s := seriesOf(list)
		require.Equal(t, written(list), values(s))
		for _, step := range s.Steps {
			require.LessOrEqual(t, step, int64(safe)+1)
			require.GreaterOrEqual(t, step, int64(-safe)-1)
		}
	})
}

// What stands out is found and named, and what belongs to another bolt is not.
func TestWhatStandsOut(t *testing.T) {
	d := documentOf(t, head(t).page())
	found := map[string]string{}
	for _, p := range d.Pulls {
		for _, o := range p.Odd {
			found[p.Point+" "+string(p.Pass)] += o.Kind + ";"
		}
	}
	require.Equal(t, map[string]string{
		"head/3 stage-3": string(trace.TooLittleTurn) + ";",
		"head/8 stage-3": string(trace.Jerked) + ";",
		"head/5 stage-3": string(trace.Cut) + ";",
	}, found)
}

// A text of the book ends no element and starts none; the page asks for nothing.
func TestNothingOfTheBookIsMarkup(t *testing.T) {
	w := head(t)
	w.keep("9", "stage-3", w.samples["head/9 stage-3"], func(name fact.Trace) fact.Body {
		return fact.Interrupted{Point: "head/9", Pass: "stage-3", Instrument: instrument, Trace: name, Because: "</script><script>x()</script><b>\u202e\x00"}
	})
	text := w.page()
	require.Equal(t, 3, strings.Count(text, "<script"))
	body, _, _ := strings.Cut(text, "<script")
	for _, element := range []string{"div", "section", "ul", "li", "table", "tr", "p", "svg", "g", "figure", "form", "details"} {
		require.Len(t, regexp.MustCompile("</"+element+">").FindAllString(body, -1), len(regexp.MustCompile("<"+element+`[ >]`).FindAllString(body, -1)), element)
	}
	require.NotContains(t, text, "x()</script>")
	require.NotContains(t, text, "\u202e")
	require.NotContains(t, text, "\x00")
	require.NotRegexp(t, `(?i)(src|href)\s*=\s*["']`, strings.ReplaceAll(text, plotText, ""))
	require.Contains(t, text, "default-src &#39;none&#39;")
}

// What belongs to no bolt is counted.
func TestTracesOfNoBolt(t *testing.T) {
	w := head(t)
	require.NotContains(t, w.page(), "no bolt of the plan")
	samples := w.samples["head/9 stage-3"]
	w.keep("9", "stage-3", samples, func(name fact.Trace) fact.Body {
		return fact.Note{What: fact.NotAssigned, Instrument: instrument.Name, Text: "12 N·m", Trace: name}
	})
	require.Contains(t, w.page(), "1 more trace belongs to no bolt of the plan and is not shown.")
	w.keep("9", "stage-3", samples, func(name fact.Trace) fact.Body {
		return fact.Interrupted{Instrument: instrument, Trace: name, Because: "the power failed"}
	})
	require.Contains(t, w.page(), "2 more traces belong to no bolt of the plan and are not shown.")
}

// Windows are drawn in the unit of the trace: 1 lbf·ft is 1.355 817 948 N·m (NIST SP
// 811, appendix B). A stage by angle has two windows.
func TestWindows(t *testing.T) {
	w := windowOf(quantity.Limits{Least: quantity.MustParse("24 lbf·ft"), Most: quantity.MustParse("312 lbf·in")})
	require.Equal(t, 24.0, *w.Least)
	require.InDelta(t, 26, *w.Most, 1e-9)
	require.InDelta(t, 1.355817948, w.Factor, 1e-9)
	require.Nil(t, windowOf(quantity.Limits{}))
	require.Nil(t, windowOf(quantity.Limits{Most: quantity.MustParse("9 N·m")}).Least)

	text := planOf(4, 30) + "[[joint.stage]]\nangle = \"90°\"\ntolerance = \"±5°\"\n"
	d := documentOf(t, newWork(t, text, 4).page())
	require.Len(t, d.Joints[0].Passes, 2)
	require.NotNil(t, d.Joints[0].Passes[0].Window)
	require.Nil(t, d.Joints[0].Passes[0].Turn)
	require.Nil(t, d.Joints[0].Passes[1].Window, "no torque is watched")
	require.Equal(t, 85.0, *d.Joints[0].Passes[1].Turn.Least)
	require.Equal(t, 95.0, *d.Joints[0].Passes[1].Turn.Most)
}

// A trace that the book cannot give is named; the others are shown.
func TestATraceThatIsDamaged(t *testing.T) {
	w := head(t)
	in := w.input()
	give := in.Trace
	first := true
	in.Trace = func(name fact.Trace) (*trace.Trace, error) {
		if first {
			first = false
			return nil, os.ErrInvalid
		}
		return give(name)
	}
	var b bytes.Buffer
	require.NoError(t, Write(&b, in))
	require.Contains(t, b.String(), "A trace cannot be shown: <bdi>head/")
	require.Len(t, documentOf(t, b.String()).Pulls, len(w.samples)-1)
}

// What is vendored is what its source says.
func TestTheLibraryIsUnchanged(t *testing.T) {
	for name, text := range map[string]string{"uPlot.iife.min.js": plotText, "uPlot.min.css": plotStyle, "LICENSE": plotLicence} {
		require.Contains(t, plotSource, fmt.Sprintf("%x  %s\n", sha256.Sum256([]byte(text)), name))
	}
	require.Contains(t, plotText, "v1.6.32")
}

// browse opens a page in a browser without a window and gives what became of it.
func browse(t testing.TB, browser string, args ...string) string {
	t.Helper()
	// Not t.TempDir: what the browser leaves running for a moment may still write there.
	home, err := os.MkdirTemp("", "paintmark-browser-")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	args = append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--hide-scrollbars", "--user-data-dir=" + home}, args...)
	cmd := exec.CommandContext(ctx, browser, args...)
	cmd.Env = append(os.Environ(), "HOME="+home, "XDG_CONFIG_HOME="+home, "XDG_CACHE_HOME="+home)
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Run(), "%s", &said)
	return out.String()
}

// driven runs a script in the page as a reader would act, and gives what it returns.
// The page keeps its policy; the script's hash is added to it.
func driven(t testing.TB, browser, text, script string, into any) {
	t.Helper()
	script = `(async()=>{
const wait=ms=>new Promise(r=>setTimeout(r,ms)),$=q=>document.querySelector(q),all=q=>[...document.querySelectorAll(q)];
const key=k=>document.body.dispatchEvent(new KeyboardEvent("keydown",{key:k,bubbles:true,cancelable:true}));
const mouse=(e,kind,x,y)=>e.dispatchEvent(new MouseEvent(kind,{bubbles:true,cancelable:true,view:window,clientX:x,clientY:y}));
const bolt=place=>$('figure.joint:not([hidden]) .bolt[data-place="'+place+'"]');
const chosen=()=>all("figure.joint:not([hidden]) .bolt.chosen").map(g=>g.dataset.place).join();
const set=(id,v)=>{const e=document.getElementById(id);if(e.type=="checkbox")e.checked=v;else e.value=v;e.dispatchEvent(new Event("change",{bubbles:true}))};
const axis=v=>{const e=$('#axis input[value='+v+']');e.checked=true;e.dispatchEvent(new Event("change",{bubbles:true}))};
const rows=()=>all("#pulls tbody tr").filter(r=>!r.hidden).map(r=>r.querySelector("th").textContent);
const readout=()=>({text:$("#readout").textContent,pull:+$("#readout").dataset.pull,sample:+$("#readout").dataset.sample});
const inked=()=>{const c=$("#plot canvas"),d=c.getContext("2d").getImageData(0,0,c.width,c.height).data;let n=0;for(let i=3;i<d.length;i+=4)if(d[i]>0)n++;return n};
await wait(200);let out;try{out=await(async()=>{` + script + `})()}catch(e){out={error:String(e.stack)}}
const pre=document.createElement("pre");pre.id="driven";pre.textContent=JSON.stringify({out,errors:document.documentElement.dataset.errors});
document.body.replaceChildren(pre)})()`
	head, tail, ok := strings.Cut(text, "; base-uri")
	require.True(t, ok)
	text = head + " " + html.EscapeString(hashOf(script)) + "; base-uri" + strings.Replace(tail, "</body>", "<script>"+script+"</script></body>", 1)
	file := filepath.Join(t.TempDir(), "page.html")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	dom := browse(t, browser, "--window-size=1400,1200", "--virtual-time-budget=20000", "--dump-dom", "file://"+file)
	m := regexp.MustCompile(`(?s)<pre id="driven">(.*?)</pre>`).FindStringSubmatch(dom)
	require.Len(t, m, 2, "%.2000s", dom)
	var answer struct {
		Out    json.RawMessage
		Errors string
	}
	require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(m[1])), &answer))
	require.Equal(t, "0", answer.Errors, "errors and breaches of the policy in the page: %s", answer.Out)
	require.NotContains(t, string(answer.Out), `"error":`)
	require.NoError(t, json.Unmarshal(answer.Out, into))
}

// A readout is what the page tells of a sample.
type readout struct {
	Text         string
	Pull, Sample int
}

// inBook asks that what was read out is the sample of the book.
func inBook(t *testing.T, w *work, d document, r readout) {
	t.Helper()
	p := d.Pulls[r.Pull]
	kept := w.samples[p.Point+" "+string(p.Pass)]
	require.True(t, strings.HasPrefix(r.Text, p.Point+", "), r.Text)
	require.Contains(t, r.Text, " "+decimal.New(kept.Torque.Values[r.Sample], kept.Torque.Exponent).StringFixed(-kept.Torque.Exponent)+" N·m")
	if kept.HasAngle() {
		require.Contains(t, r.Text, " "+decimal.New(kept.Angle.Values[r.Sample], kept.Angle.Exponent).StringFixed(-kept.Angle.Exponent)+"°")
	}
	require.Contains(t, r.Text, " at "+decimal.New(kept.Times[r.Sample]*kept.Tick.Nanoseconds(), -9).String()+" s")
}

func TestThePageInABrowser(t *testing.T) {
	browser := needs.Chromium(t)
	w := head(t)
	text := w.page()
	d := documentOf(t, text)

	t.Run("opens as it is", func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "page.html")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		require.Regexp(t, `<html lang="en" data-errors="0" data-drawn="\d+">`, browse(t, browser, "--virtual-time-budget=5000", "--dump-dom", "file://"+file))
	})

	t.Run("is worked by mouse and keys", func(t *testing.T) {
		var got struct {
			Inked                                 []int
			Mouse, Key, Enter, Odd, None          string
			Detail, Title, Follow, PassUp, Absent string
			Axes                                  []string
			Drawing                               []string
		}
		driven(t, browser, text, `
const out={Inked:[inked()],Axes:[]};
key("Escape");out.None=chosen();
mouse(bolt("4"),"click",0,0);out.Mouse=chosen();out.Detail=$("#detail").textContent;out.Title=$("#title").textContent;
key("ArrowRight");out.Key=chosen();
bolt("9").dispatchEvent(new KeyboardEvent("keydown",{key:"Enter",bubbles:true,cancelable:true}));out.Enter=chosen();
key("ArrowUp");out.PassUp=$("#pass").value+" "+chosen();
axis("turn");mouse(bolt("6"),"click",0,0);out.Absent=$("#absent").textContent;
key("n");out.Odd=chosen()+" "+$("#pass").value;
key("f");out.Follow=$("#title").textContent;key("f");
out.Drawing=all("figure.joint:not([hidden]) .bolt title").map(e=>e.textContent);
set("pass","stage-1");key("Escape");
for(let i=0;i<5;i++){key("a");out.Axes.push($("#axis input:checked").value);await wait(50);out.Inked.push(inked())}
return out`, &got)
		for _, n := range got.Inked {
			require.Greater(t, n, 2000, "something is drawn")
		}
		require.Empty(t, got.None)
		require.Equal(t, "4", got.Mouse)
		require.Contains(t, got.Detail, "head/4, stage 3")
		require.Contains(t, got.Detail, "peak torque")
		require.Equal(t, "Cylinder head: stage 3. 10 pulls", got.Title)
		bolts := d.Joints[0].Bolts
		for i, b := range bolts {
			if b.Place == "4" {
				require.Equal(t, bolts[(i+1)%len(bolts)].Place, got.Key)
			}
		}
		require.Equal(t, "9", got.Enter)
		require.Equal(t, "stage-2 9", got.PassUp)
		require.Contains(t, got.Absent, "the wrench gives no angle: bolt 6")
		require.Regexp(t, `^[358] stage-3$`, got.Odd)
		require.Regexp(t, `all passes, bolt [358]\. 3 pulls`, got.Follow)
		require.Len(t, got.Axes, 5)
		require.ElementsMatch(t, []string{"snug", "origin", "turn", "angle", "time"}, got.Axes)
		require.Contains(t, got.Drawing, "bolt 3: within, stands out: too little turn")
		require.Contains(t, got.Drawing, "bolt 5: interrupted, stands out: interrupted")
	})

	t.Run("filters", func(t *testing.T) {
		var got struct{ All, Pass, Bolt, Verdict, Odd []string }
		driven(t, browser, text, `
const out={};set("pass","");out.All=rows();
set("pass","stage-1");out.Pass=rows();set("pass","");
set("bolt","7");out.Bolt=rows();set("bolt","");
set("verdict","interrupted");out.Verdict=rows();set("verdict","");
set("odd",true);out.Odd=rows();return out`, &got)
		require.Len(t, got.All, 30)
		require.Len(t, got.Pass, 10)
		require.Equal(t, []string{"head/7", "head/7", "head/7"}, got.Bolt)
		require.Equal(t, []string{"head/5"}, got.Verdict)
		require.ElementsMatch(t, []string{"head/3", "head/5", "head/8"}, got.Odd)
	})

	t.Run("tells the values of the book", func(t *testing.T) {
		var got struct {
			Stepped, Hovered []readout
			Zoomed           []float64
		}
		driven(t, browser, text, `
const out={Stepped:[],Hovered:[],Zoomed:[]};
for(const a of ["time","turn"]){axis(a);
for(const b of ["1","2","3","8","9"]){mouse(bolt(b),"click",0,0);
for(const k of ["<","<",",",">",".","."]){key(k);out.Stepped.push(readout())}
key("<");const want=readout(),dot=$(".dot").getBoundingClientRect(),over=$(".u-over"),x=dot.left+dot.width/2,y=dot.top+dot.height/2;
mouse(over,"mousemove",x,y);await wait(60);out.Hovered.push(want,readout());mouse(over,"mouseleave",x,y);await wait(30)}}
const left=()=>parseFloat($(".dot").style.left);
key("0");out.Zoomed.push(left());key("+");await wait(50);out.Zoomed.push(left());key("0");await wait(50);out.Zoomed.push(left());
const o=$(".u-over"),b=o.getBoundingClientRect(),wheel=ctrlKey=>{o.dispatchEvent(new WheelEvent("wheel",{deltaY:-100,ctrlKey,clientX:b.left+9,clientY:b.top+9,bubbles:true,cancelable:true}));return wait(100)};
await wheel(false);out.Zoomed.push(left());await wheel(true);out.Zoomed.push(left());
return out`, &got)
		require.Len(t, got.Stepped, 60)
		require.Len(t, got.Hovered, 20)
		for _, r := range append(got.Stepped, got.Hovered...) {
			inBook(t, w, d, r)
		}
		for i := 0; i < len(got.Hovered); i += 2 {
			p, want, under := d.Pulls[got.Hovered[i].Pull], got.Hovered[i], got.Hovered[i+1]
			require.Equal(t, want.Pull, under.Pull, "the curve under the cursor")
			require.InDelta(t, want.Sample, under.Sample, 3, "the sample under the cursor, or one that lies on the same pixel: %s", p.Point)
		}
		require.NotEqual(t, got.Zoomed[0], got.Zoomed[1])
		require.InDelta(t, got.Zoomed[0], got.Zoomed[2], 0.01)
		require.Equal(t, got.Zoomed[2], got.Zoomed[3], "the wheel alone scrolls the page")
		require.NotEqual(t, got.Zoomed[3], got.Zoomed[4])
	})

	t.Run("prints every pass", func(t *testing.T) {
		dir := t.TempDir()
		file, pdf := filepath.Join(dir, "page.html"), filepath.Join(dir, "page.pdf")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
		browse(t, browser, "--print-to-pdf="+pdf, "file://"+file)
		printed, err := os.ReadFile(pdf)
		require.NoError(t, err)
		sheets := regexp.MustCompile(`/Type\s*/Page\b`).FindAll(printed, -1)
		require.NotEmpty(t, sheets)
		require.LessOrEqual(t, len(sheets), 5)

		var got struct {
			Captions []string
			Inked    []int
		}
		driven(t, browser, text, `
dispatchEvent(new Event("beforeprint"));await wait(100);
const out={Captions:all("#paper figcaption").map(e=>e.textContent),Inked:all("#paper canvas").map(c=>{const d=c.getContext("2d").getImageData(0,0,c.width,c.height).data;let n=0;for(let i=3;i<d.length;i+=4)if(d[i]>0)n++;return n})};
return out`, &got)
		require.Len(t, got.Captions, 3)
		require.Contains(t, got.Captions[0], "Nothing stands out.")
		require.Contains(t, got.Captions[1], "Not drawn over this axis: bolt 6.")
		require.Contains(t, got.Captions[2], "bolt 3 (too little turn)")
		require.Len(t, got.Inked, 3)
		for _, n := range got.Inked {
			require.Greater(t, n, 5000, "something is drawn")
		}
	})
}
