package rules

import (
	"container/list"
	"hash/maphash"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// shelfSpace is how many built house rules are kept, some 1.5 kB each: the whole
// of a thousand chains with fifty rules each.
const shelfSpace = 50_000

// policy is what a decision is made under: a house policy built, and the digest
// of it all. The built-in rules are the engine's.
type policy struct {
	texts  []*rule // in the order of the house policy
	house  ruleSet
	digest string
}

// shelf keeps house policies that were built, the least lately used thrown out
// first. A policy is found by its content, never by its name, so that a changed
// policy is built anew and two chains with the same rules share one.
type shelf struct {
	mu      sync.Mutex
	seed    maphash.Seed // a key tells contents apart in this process only
	byKey   map[uint64]*list.Element
	lately  *list.List // of *kept, the latest in front
	holding int        // rules on the shelf
	space   int        // rules it may hold
}

type kept struct {
	key    uint64
	policy *policy
}

func newShelf(space int) *shelf {
	return &shelf{seed: maphash.MakeSeed(), byKey: map[uint64]*list.Element{}, lately: list.New(), space: space}
}

// find returns the policy kept under key, or nil.
func (s *shelf) find(key uint64) *policy {
	s.mu.Lock()
	defer s.mu.Unlock()
	e := s.byKey[key]
	if e == nil {
		return nil
	}
	s.lately.MoveToFront(e)
	return e.Value.(*kept).policy
}

// keep puts a policy on the shelf. If another call has put it there meanwhile,
// either will do: they are the same.
func (s *shelf) keep(key uint64, p *policy) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.byKey[key] != nil || len(p.texts) > s.space {
		return
	}
	s.byKey[key] = s.lately.PushFront(&kept{key, p})
	s.holding += max(1, len(p.texts))
	for s.holding > s.space {
		oldest := s.lately.Remove(s.lately.Back()).(*kept)
		delete(s.byKey, oldest.key)
		s.holding -= max(1, len(oldest.policy.texts))
	}
}

// under is the policy in force under a house policy, which may be nil.
func (e *Engine) under(house *pb.HousePolicy) *policy {
	if house == nil {
		return e.alone
	}
	key := e.shelf.key(house)
	if p := e.shelf.find(key); p != nil {
		return p
	}
	p := &policy{digest: e.digestWith(house)}
	for _, text := range house.GetRules() {
		r := e.book.newRule(houseRule(text), e.book.limited)
		p.texts = append(p.texts, r)
		p.house.add(r)
	}
	e.shelf.keep(key, p)
	return p
}

// key hashes all of a house policy that bears on a decision.
func (s *shelf) key(p *pb.HousePolicy) uint64 {
	var h maphash.Hash
	h.SetSeed(s.seed)
	write := func(texts ...string) {
		for _, text := range texts {
			maphash.WriteComparable(&h, text)
		}
	}
	for _, r := range p.GetRules() {
		write(r.GetRuleId(), r.GetExpression(), r.GetMessage(), r.GetBasis().GetSource())
		maphash.WriteComparable(&h, [4]int32{r.GetVersion(), int32(r.GetScope()), int32(r.GetSeverity()), int32(r.GetBasis().GetKind())})
		write(r.GetJurisdictions()...)
		maphash.WriteComparable(&h, [2]int{len(r.GetJurisdictions()), len(r.GetOverrideTerms().GetRoles())})
		maphash.WriteComparable(&h, [2]bool{r.GetOverrideTerms().GetAllowed(), r.GetBeforeContact()})
		for _, role := range r.GetOverrideTerms().GetRoles() {
			maphash.WriteComparable(&h, role)
		}
		for _, reason := range r.GetOverrideTerms().GetReasons() {
			write(reason.GetCode(), reason.GetDescription())
		}
		maphash.WriteComparable(&h, len(r.GetOverrideTerms().GetReasons()))
	}
	numbers := p.GetParameters().ProtoReflect()
	fields := numbers.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		maphash.WriteComparable(&h, numbers.Has(f))
		if f.Kind() == protoreflect.Int32Kind {
			maphash.WriteComparable(&h, numbers.Get(f).Int())
		} else {
			maphash.WriteComparable(&h, numbers.Get(f).Float())
		}
	}
	return h.Sum64()
}
