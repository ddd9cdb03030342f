package episode

import (
	"bytes"
	"context"
	"encoding/json"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// MaxMessage is the largest event that is taken in, in bytes.
const MaxMessage = 512 << 10

// reception is one event message on its way in.
type reception struct {
	*Service
	notice *fhir.Notice
	key    store.Inbox  // without answer
	before *store.Inbox // the entry of the same message, nil if it was not accepted before
	by     Client
	at     time.Time // when it was received
	order  time.Time // place among the events of its procedure
	said   int       // of the notice's warnings, those that don't depend on what is stored
	parties
}

// knowing has the message handled by a service that knows more, until undone.
func (r *reception) knowing(s *Service) (undo func()) {
	plain := r.Service
	r.Service = s
	return func() { r.Service = plain }
}

// parties are what the message's references mean in the store, found anew on every try.
type parties struct {
	local     map[string]string // reference in the message to Type/id
	subject   string            // Patient/id
	encounter string            // Encounter/id, "" when it is only known by identifier
	doubts    []string          // of the patient's identity, for a clinician
}

// Message takes in one event. It is accepted once: the same again gives the first
// answer and changes nothing. Errors are *outcome.Error: with the content's issues when
// it is rejected; duplicate for other content under a known identity; no-store,
// transient or lock-error when it may pass on a retry; exception for a fault of ours,
// and then the message is in quarantine.
func (s *Service) Message(ctx context.Context, m Message) (MessageAnswer, error) {
	r, err := s.receive(m)
	if err != nil {
		return MessageAnswer{}, err
	}
	q := quarantine{kind: "message", id: r.key.Source + "|" + r.key.ID, body: m.Body, unit: r.notice.Unit}
	var answer MessageAnswer
	err = s.guard(ctx, &q, func() error {
		answer, err = r.take(ctx, &q)
		return err
	})
	return answer, err
}

// receive reads a message without touching the store.
func (s *Service) receive(m Message) (*reception, error) {
	const op = "read message"
	if len(m.Body) > MaxMessage {
		return nil, outcome.Fail(outcome.CodeTooLong, op, "the message has %d bytes, at most %d are taken in", len(m.Body), MaxMessage)
	}
	doc, issues := tree.Parse(m.Body)
	if doc == nil || outcome.HasErrors(issues) {
		return nil, outcome.Reject(op, issues)
	}
	found := s.validate(doc, m.Body)
	notice, issues := fhir.DecodeNotice(doc, found, m.Door == DoorJetStream)
	if notice == nil {
		return nil, outcome.Reject(op, append(issues, advice(found, issues)...))
	}
	notice.Warnings = append(notice.Warnings, advice(found, notice.Warnings)...)
	r := &reception{Service: s, notice: notice, by: m.By, at: s.Now(), key: keyOf(notice, m.Body)}
	r.key.Position = m.Position
	if m.Door == DoorJetStream {
		r.by = Client{ID: notice.Source, Units: AllUnits()}
	}
	r.order = r.placeInTime()
	r.doubtFuture()
	r.said = len(r.notice.Warnings)
	return r, nil
}

// validate leaves alone what is no message at all: the decoder says that better.
func (s *Service) validate(doc *tree.Document, body []byte) []outcome.Issue {
	switch doc.Root.Str("resourceType") {
	case "Bundle", "Procedure":
		return s.Incoming.Resource(body)
	}
	return nil
}

// keyOf is the identity of a message. White space doesn't make another content.
func keyOf(n *fhir.Notice, body []byte) store.Inbox {
	var compact bytes.Buffer
	if err := json.Compact(&compact, body); err != nil {
		panic(err) // it was parsed before
	}
	key := store.Inbox{Source: n.Source, ID: n.ID, Digest: digest(compact.Bytes())}
	if n.ID == "" {
		key.Source, key.ID = "content", key.Digest
	}
	key.Source = "message " + key.Source
	return key
}

// placeInTime gives the place among the events of the procedure. One that lies in the
// future would outrank every correction to come: arrival stands in for it.
func (r *reception) placeInTime() time.Time {
	switch o := r.notice.Order; {
	case o.IsZero():
		return r.at
	case o.After(r.at.Add(workflow.ClockDifference)):
		r.warn(outcome.CodeValue, "Bundle.timestamp", "it lies in the future; the time of arrival is taken")
		return r.at
	default:
		return o
	}
}

// doubtFuture takes times back that can't have been yet.
func (r *reception) doubtFuture() {
	p := r.notice.Procedure
	if p == nil {
		return
	}
	limit := r.at.Add(workflow.ClockDifference)
	for i := range p.Sites {
		e := &p.Sites[i].Event
		if e.PerformedEnd.After(limit) {
			e.PerformedEnd = time.Time{}
			r.warn(outcome.CodeValue, "Procedure.performed", "its end lies in the future: taken as not told")
		}
		if e.CompressionStart.After(limit) {
			const text = "the start of compression lies in the future: taken as not told"
			e.CompressionStart = time.Time{}
			e.Dropped = append(e.Dropped, text)
			r.warn(outcome.CodeValue, "Observation.effective", text)
		}
	}
}

func (r *reception) warn(code outcome.Code, expression, text string) {
	r.notice.Warnings = append(r.notice.Warnings, outcome.Warnf(code, expression, "%s", text))
}

// take brings a readable message to its end.
func (r *reception) take(ctx context.Context, q *quarantine) (MessageAnswer, error) {
	if err := r.permit(ctx); err != nil {
		return MessageAnswer{}, err
	}
	var e end
	err := protect(func() (err error) { e, err = r.commit(ctx, "take message", r.builder(q)); return err })
	if err != nil && !blameless(err) {
		q.subject = r.shareAlone(ctx)
	}
	if err != nil {
		return MessageAnswer{}, err
	}
	if r.notice.Procedure != nil {
		if err := r.adopt(ctx, r.subject, r.notice.Unit); err != nil {
			return MessageAnswer{}, err
		}
	}
	if r.before != nil {
		e = end{repeat: true, answer: r.before.Answer}
	}
	if e.repeat {
		r.noteRepeat()
		return MessageAnswer{Repeat: true, Response: e.answer}, nil
	}
	return MessageAnswer{Response: e.draft.changes.Inbox.Answer, Warnings: r.notice.Warnings}, nil
}
