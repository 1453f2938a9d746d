package attach

import (
	"time"

	"paintmark/device"
	"paintmark/device/profile"
)

// MostMisses is after how many requests without a reply an instrument that is
// asked is told to be quiet.
const MostMisses = 3

// leastAnew is the least time between two tries to set a quiet instrument going.
const leastAnew = time.Second

// A saying is something to be said by order of the user.
type saying struct {
	bytes  []byte
	result chan error // has room for the one
}

// conversation is what is said on one link: the profile's talk, and what the
// user wants. One thing is written at a time, by a goroutine of its own, which
// runs from the first on.
type conversation struct {
	link   device.Link
	talk   profile.Talk
	mute   bool          // nothing is said but by order
	breath time.Duration // the silence before a request
	words  chan []byte   // nil until something is said
	done   chan error    // of what is being written
	over   chan struct{} // closed when the goroutine has ended

	settled time.Time // when the time to settle is over
	begun   bool      // what begins it is written, or there is nothing
	began   time.Time // when
	greeted bool      // something was written
	failed  error     // of the first writing that did

	writing  bool
	starting bool    // it is what begins it
	order    *saying // it is this
	awaiting bool    // a reply
	request  bool    // it is that to a request
	replyBy  time.Time
	next     time.Time // when to ask again
	misses   int       // requests in a row without a reply
	set      time.Time // when it was set going last
}

func newConversation(link device.Link, p *profile.Profile, mute bool, now time.Time) *conversation {
	c := &conversation{link: link, talk: p.Talk, mute: mute, done: make(chan error, 1), settled: now.Add(p.Talk.Settle)}
	if mute || c.talk.Settle == 0 && len(c.talk.Begin) == 0 {
		c.begun, c.began, c.next = true, now, now
	}
	if p.Line.Baud > 0 {
		// Half-duplex lines want 3.5 characters of 11 bits between two messages
		// (Modbus over serial line, V1.02, 2.5.1.1; from memory): four.
		c.breath = 4 * 11 * time.Second / time.Duration(p.Line.Baud)
	}
	return c
}

// greets tells that something is said before anything is awaited.
func (c *conversation) greets() bool { return !c.mute && (len(c.talk.Begin) > 0 || c.talk.Asks()) }

// free tells that something may be said.
func (c *conversation) free() bool { return c.begun && !c.writing && !c.awaiting }

// due is when something is to be said, or a reply is given up.
func (c *conversation) due() (time.Time, bool) {
	switch {
	case c.writing:
		return time.Time{}, false
	case !c.begun:
		return c.settled, true
	case c.awaiting:
		return c.replyBy, true
	}
	return c.next, c.asks()
}

func (c *conversation) asks() bool { return !c.mute && c.talk.Asks() }

// elapse does what has become due.
func (c *conversation) elapse(now time.Time) {
	switch {
	case c.writing:
	case !c.begun && now.Before(c.settled):
	case !c.begun && len(c.talk.Begin) > 0:
		c.start(now)
	case !c.begun:
		c.begun, c.began, c.next = true, now, now
	case c.awaiting && !now.Before(c.replyBy):
		c.awaiting = false
		if c.request {
			c.misses++
		}
	}
}

func (c *conversation) start(now time.Time) {
	c.set, c.starting = now, true
	c.write(c.talk.Begin)
}

// anew is when a quiet instrument is to be set going once more, since it may have
// been switched off and on; false where that cannot be now.
func (c *conversation) anew() (time.Time, bool) {
	return c.set.Add(max(c.talk.Quiet, leastAnew)), !c.mute && len(c.talk.Begin) > 0 && c.free()
}

// ask asks if it is time to, and tells whether it did.
func (c *conversation) ask(now time.Time) bool {
	if !c.asks() || now.Before(c.next) {
		return false
	}
	c.awaiting, c.request = true, true
	c.next = now.Add(c.talk.Every)
	c.write(c.talk.Request)
	return true
}

// tell says what the user wants. An instrument that is asked may reply to it.
func (c *conversation) tell(s *saying) {
	c.order = s
	if c.asks() {
		c.awaiting, c.request = true, false
	}
	c.write(s.bytes)
}

// answered takes note of a sound frame.
func (c *conversation) answered(now time.Time) {
	c.misses = 0
	if c.awaiting {
		c.awaiting = false
		if soon := now.Add(c.breath); soon.After(c.next) {
			c.next = soon
		}
	}
}

func (c *conversation) write(what []byte) {
	if c.words == nil {
		c.words, c.over = make(chan []byte), make(chan struct{})
		go func() {
			defer close(c.over)
			for w := range c.words {
				_, err := c.link.Write(w)
				c.done <- err
			}
		}()
	}
	c.writing = true
	c.words <- what
}

// wrote takes note of what became of a writing.
func (c *conversation) wrote(err error, now time.Time) {
	c.writing = false
	if c.order != nil {
		c.order.result <- err
		c.order = nil
	}
	if err != nil {
		c.failed = err
		return
	}
	c.greeted = true
	if c.starting {
		c.starting = false
		if !c.begun {
			c.begun, c.began, c.next = true, now, now
		}
	}
	if c.awaiting {
		c.replyBy = now.Add(c.talk.Within)
	}
}

// end says what ends the talk, if it was begun, and waits until it is written,
// but not for ever.
func (c *conversation) end(after func(time.Duration) <-chan time.Time) {
	if !c.begun || c.mute || len(c.talk.End) == 0 || c.failed != nil {
		return
	}
	limit := after(ending)
	if c.writing {
		select {
		case err := <-c.done:
			c.wrote(err, time.Time{})
		case <-limit:
			return
		}
	}
	if c.failed != nil {
		return
	}
	c.write(c.talk.End)
	select {
	case err := <-c.done:
		c.wrote(err, time.Time{})
	case <-limit:
	}
}

// close ends the goroutine; the link must be closed already.
func (c *conversation) close() {
	if c.words == nil {
		return
	}
	close(c.words)
	<-c.over
	if c.writing {
		c.wrote(<-c.done, time.Time{})
	}
}
