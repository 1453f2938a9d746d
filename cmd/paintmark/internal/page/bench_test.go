package page

import (
	"encoding/json"
	"html"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"paintmark/calc/trace"
	"paintmark/cmd/paintmark/internal/needs"
)

// measure runs in the page before anything else does after its own script: how long
// until the first pass was drawn, all passes one over the other, and a move of the
// mouse. Reading a pixel makes the browser really draw.
const measure = `(()=>{const drawn=()=>document.querySelector("#plot canvas").getContext("2d").getImageData(0,0,1,1);
drawn();const first=performance.now(),then=performance.now(),pass=document.getElementById("pass");
pass.value="";pass.dispatchEvent(new Event("change"));
Promise.resolve().then(()=>{drawn();const all=performance.now()-then,over=document.querySelector(".u-over"),b=over.getBoundingClientRect();
const before=performance.now();
for(let i=0;i<50;i++)over.dispatchEvent(new MouseEvent("mousemove",{bubbles:true,view:window,clientX:b.left+b.width*(.3+i/100),clientY:b.top+b.height*.5}));
const move=(performance.now()-before)/50,pre=document.createElement("pre");pre.id="measured";
pre.textContent=JSON.stringify({first,all,move,pulls:document.querySelector("#title").textContent});document.body.append(pre)})})()`

// BenchmarkPage writes the page of 100 pulls of 4000 samples, 400 000 in all, and opens
// it. The baseline of writing is encoding the same integers as JSON once.
func BenchmarkPage(b *testing.B) {
	browser := needs.Chromium(b)
	w := many(b)
	in := w.input()
	var list []*trace.Trace
	for _, t := range w.samples {
		list = append(list, t)
	}
	var size, plain int
	var writing, encoding time.Duration
	for b.Loop() {
		start := time.Now()
		count := counter{}
		require.NoError(b, Write(&count, in))
		middle := time.Now()
		text, err := json.Marshal(list)
		require.NoError(b, err)
		writing, encoding = writing+middle.Sub(start), encoding+time.Since(middle)
		size, plain = count.n, len(text)
	}
	script := measure
	head, tail, _ := strings.Cut(w.page(), "; base-uri")
	text := head + " " + html.EscapeString(hashOf(script)) + "; base-uri" + strings.Replace(tail, "</body>", "<script>"+script+"</script></body>", 1)
	file := filepath.Join(b.TempDir(), "page.html")
	require.NoError(b, os.WriteFile(file, []byte(text), 0o644))
	m := regexp.MustCompile(`<pre id="measured">(.*?)</pre>`).FindStringSubmatch(browse(b, browser, "--window-size=1400,1200", "--dump-dom", "file://"+file))
	require.Len(b, m, 2)
	var got struct{ First, All, Move float64 }
	require.NoError(b, json.Unmarshal([]byte(html.UnescapeString(m[1])), &got))
	b.ReportMetric(float64(size)/1e6, "MB")
	b.ReportMetric(float64(size)/400_000, "B/sample")
	b.ReportMetric(float64(size)/float64(plain), "x-JSON-size")
	b.ReportMetric(float64(writing)/float64(encoding), "x-JSON-time")
	b.ReportMetric(got.First, "first-draw-ms")
	b.ReportMetric(got.All, "all-100-ms")
	b.ReportMetric(got.Move, "hover-ms")
}

type counter struct {
	io.Writer
	n int
}

func (c *counter) Write(p []byte) (int, error) { c.n += len(p); return len(p), nil }
