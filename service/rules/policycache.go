package rules

import (
	"container/list"
	"hash/maphash"
	"sync"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "alkalog/proto/alkalogv1"
)

// Compiling the rules of a house costs far more than deciding under them. The server serves many chains and reads the policy with every decision, so the
// built form is kept by content. Content, because a name and an etag can be the same in
// two databases, and because two chains that bought the same rules then share them.
//
// Everything of the policy that bears on a decision goes into the key. What is left out
// would let a changed policy be taken for the one that was built.

// policyCacheCapacity is how many built house rules are kept, some 1.5 kB each: the whole
// of a thousand chains with fifty rules each.
const policyCacheCapacity = 50_000

// housePolicyRules is what a decision is made under: a house policy built, and the digest
// of it all. The built-in rules are the engine's.
type housePolicyRules struct {
	rules   []*rule // in the order of the house policy
	byScope ruleSet
	digest  string
}

// policyCache keeps house policies that were built, the least lately used thrown out
// first. A policy is found by its content, never by its name, so that a changed
// policy is built again and two chains with the same rules share one.
type policyCache struct {
	mu       sync.Mutex
	seed     maphash.Seed // a key tells contents apart in this process only
	byKey    map[uint64]*list.Element
	recent   *list.List // of *kept, the latest in front
	size     int        // rules on the shelf
	capacity int        // rules it may hold
}

// cacheEntry is a built policy with its key, by which it is taken out of the map
// when it is the oldest.
type cacheEntry struct {
	key    uint64
	policy *housePolicyRules
}

// newPolicyCache makes a cache for so many rules. The seed is new in each process,
// so a key means nothing outside of it.
func newPolicyCache(capacity int) *policyCache {
	return &policyCache{seed: maphash.MakeSeed(), byKey: map[uint64]*list.Element{}, recent: list.New(), capacity: capacity}
}

// get returns the policy kept under key, or nil.
func (s *policyCache) get(key uint64) *housePolicyRules {
	s.mu.Lock()
	defer s.mu.Unlock()
	e := s.byKey[key]
	if e == nil {
		return nil
	}
	s.recent.MoveToFront(e)
	return e.Value.(*cacheEntry).policy
}

// A policy with more rules than the cache holds is built for every decision, rather than
// throwing everybody else's out.
//
// put puts a policy on the shelf. If another call has put it there meanwhile,
// either will do: they are the same.
func (s *policyCache) put(key uint64, p *housePolicyRules) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.byKey[key] != nil || len(p.rules) > s.capacity {
		return
	}
	s.byKey[key] = s.recent.PushFront(&cacheEntry{key, p})
	// A policy of numbers alone counts as one rule, or any number of them would be
	// kept.
	s.size += max(1, len(p.rules))
	for s.size > s.capacity {
		oldest := s.recent.Remove(s.recent.Back()).(*cacheEntry)
		delete(s.byKey, oldest.key)
		s.size -= max(1, len(oldest.policy.rules))
	}
}

// policyFor is the policy in force under a house policy, which may be nil.
// House rules are built under the limit of cost. Two calls at once may build the
// same policy twice, which costs time and nothing else.
func (e *Engine) policyFor(house *pb.HousePolicy) *housePolicyRules {
	if house == nil {
		return e.builtInOnly
	}
	key := e.policies.key(house)
	if p := e.policies.get(key); p != nil {
		return p
	}
	p := &housePolicyRules{digest: e.digestWith(house)}
	for _, text := range house.GetRules() {
		r := e.lang.newRule(houseRule(text), e.lang.buildHouse)
		p.rules = append(p.rules, r)
		p.byScope.add(r)
	}
	e.policies.put(key, p)
	return p
}

// A hash of 64 bits and not the content itself is the key, to keep the cache small. Two
// policies with the same hash would be taken for each other; with the seed of the
// process nobody can make such a pair, and by chance one in 2^64 pairs is.

// key hashes all of a house policy that bears on a decision.
func (s *policyCache) key(p *pb.HousePolicy) uint64 {
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
		// The length of each list is hashed as well, so that no text can move from
		// one list to the next unnoticed.
		write(r.GetJurisdictions()...)
		maphash.WriteComparable(&h, [2]int{len(r.GetJurisdictions()), len(r.GetOverrideTerms().GetRoles())})
		maphash.WriteComparable(&h, [2]bool{r.GetOverrideTerms().GetAllowed(), r.GetBeforeContact()})
		w, terms := r.GetWait(), r.GetOverrideTerms()
		write(w.GetUntilField(), w.GetHoursField(), w.GetDaysField(), w.GetAbstainText(), r.GetCause())
		write(w.GetEvents()...)
		maphash.WriteComparable(&h, [3]int32{int32(len(w.GetEvents())), terms.GetAloneMinimumHours(), terms.GetAloneMinimumDays()})
		maphash.WriteComparable(&h, [2]bool{w != nil, terms.GetAlone()})
		for _, role := range r.GetOverrideTerms().GetRoles() {
			maphash.WriteComparable(&h, role)
		}
		for _, reason := range r.GetOverrideTerms().GetReasons() {
			write(reason.GetCode(), reason.GetDescription())
		}
		maphash.WriteComparable(&h, len(r.GetOverrideTerms().GetReasons()))
	}
	for _, set := range []*pb.PolicyParameters{p.GetParameters(), p.GetLoosening()} {
		numbers := set.ProtoReflect()
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
	}
	return h.Sum64()
}
