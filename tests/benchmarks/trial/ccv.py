"""ccv.py ROWS.pkl NET|- [number names] : two-stage CV, molds left out"""
import os, sys, pickle, numpy as np
sys.path.insert(0,"/work/main")
from tests.benchmarks.fit_confidence import fit, RIDGE
from inspector.inspection.confidence import Weights, SHOWN_FROM
import cv2
from scipy.stats import rankdata
rows=pickle.load(open(sys.argv[1],"rb")); NET=sys.argv[2]; NAMES=sys.argv[3].split(",") if len(sys.argv)>3 else None
if os.environ.get("REFS"): rows=[r for r in rows if r["refs"]==int(os.environ["REFS"])]
R2=float(os.environ.get("R2",10))
SRC=("damage","crack","outline","line")
JA={"outline":("lost_odds","damage_odds")}
PER=dict(damage="c_high,c_med,c_peak,c_feature,c_chip,c_crack_high,c_doubt,c_sure",crack="c_high,c_med,c_crack,c_crack_low,c_crack_high,c_doubt,c_damage_path",line="c_high,c_med,c_crack,c_crack_low,c_crack_high,c_doubt,c_damage_path",outline="c_high,c_med,c_peak,c_feature,c_chip,c_doubt")
if os.environ.get("MAP"): PER=dict(line="m_crack,m_crack_low,m_crack_high,m_damage,m_damage_low,m_damage_high,m_peak")
if os.environ.get("NODOUBT"): PER={k:v.replace(",c_doubt","") for k,v in PER.items()}
flat=[]
for r in rows:
    for c in r["cands"]:
        if c["source"] not in SRC: continue
        hits=c["hits"]; skip=False
        if c["source"]=="damage" and hits:
            hits=[h for h in hits if h[1]!="hairline crack"]; skip=not hits
        ex=c["extra"].get(NET)
        two=None
        if ex is not None:
            two={k:ex[k] for k in PER[c["source"]].split(",")} | c["numbers"] if c["source"] in PER else None
        c["flat"]=dict(mold=r["mold"],source=c["source"],numbers=c["numbers"],two=two,hit=hits[0] if hits else None,skip=skip); flat.append(c["flat"])
molds=sorted({r["mold"] for r in rows})
for m in molds:
    tr=[f for f in flat if f["mold"]!=m and not f["skip"]]
    for s in SRC:
        few=[f for f in tr if f["source"]==s]
        w=[Weights.read(fit(few,RIDGE[s]))]
        if s in JA: w.append(Weights.read(fit(few,RIDGE[s],without=JA[s])))
        w2=None
        if NET!="-" and s not in os.environ.get("ONE","").split(","):
            second=[dict(numbers=f["two"],hit=f["hit"]) for f in few if f["two"] is not None]
            w2=Weights.read(fit(second,R2))
        for f in flat:
            if f["mold"]==m and f["source"]==s:
                f["p"]=max(x.probability(f["numbers"]) for x in w)
                if w2 is not None and f["two"] is not None:
                    q=w2.probability(f["two"]); f["p"]=max(q,f["p"]) if os.environ.get("MAXP") else q
def logit(p): p=min(max(p,1e-9),1-1e-9); return np.log(p/(1-p))
def photo_findings(r,shift,th=None):
    th=th or SHOWN_FROM
    cs=[c for c in r["cands"] if c["source"] in SRC]
    sh=[c for c in cs if logit(c["flat"]["p"])-logit(th[c["source"]])>=shift]
    sh.sort(key=lambda c:-c["flat"]["p"])
    taken=np.zeros(r["shape"],np.uint8); kept=[]
    reach=2*round(1.5*r["ppm"])+1
    for c in sh:
        here=np.zeros(r["shape"],np.uint8); m=c["mask"]; y0,x0=max(0,c["top"]),max(0,c["left"])
        y1,x1=min(here.shape[0],c["top"]+m.shape[0]),min(here.shape[1],c["left"]+m.shape[1])
        if y1>y0 and x1>x0: here[y0:y1,x0:x1]=m[y0-c["top"]:y1-c["top"],x0-c["left"]:x1-c["left"]]
        if np.count_nonzero((here>0)&(taken>0))>.4*max(1,np.count_nonzero(here)): continue
        kept.append(c); np.maximum(taken,cv2.dilate(here,np.ones((reach,reach),np.uint8)),out=taken)
    return kept
use=[r for r in rows if not r.get("refused")]; good=[r for r in use if r["good"]]
def evaluate(shift,th=None):
    fals=0;clean=0;cnt={}
    for r in use:
        k=photo_findings(r,shift,th)
        if r["good"]:
            f=sum(not c["hits"] for c in k); fals+=f; clean+=f==0
        else:
            hit={h[0] for c in k for h in c["hits"]}
            for n,kind,ext,w in r["defects"]:
                b=("miss8" if kind=="missing feature" and ext>=8 else "chip4" if kind=="chip" and ext>=4 else "chip2-4" if kind=="chip" and ext>=2 else "crack" if kind=="hairline crack" else None)
                if b: a=cnt.setdefault(b,[0,0]); a[1]+=1; a[0]+=n in hit
    return fals/len(good),clean/len(good),cnt
P=np.array([not r["good"] for r in use])
def auroc(s):
    ra=rankdata(s); return (ra[P].sum()-P.sum()*(P.sum()+1)/2)/(P.sum()*(~P).sum())
def score(r,line=True):
    return max([c["flat"]["p"] for c in r["cands"] if c["source"] in SRC and (c["source"]!="line" or c["flat"]["p"]>=(SHOWN_FROM["line"] if not line else 0))],default=0)
print(NET,"photos",len(use),"good",len(good),"AUROC %.4f lines shown only %.4f"%(auroc([score(r) for r in use]),auroc([score(r,False) for r in use])))
for name,th in (("shipped limits",None),)+((("even",dict.fromkeys(SRC,.4)),) if NET!="-" else ()):
  for target in (.1,.2,):
    lo_,hi=-3.,4.
    for _ in range(11):
        mid=(lo_+hi)/2
        if evaluate(mid,th)[0]>target: lo_=mid
        else: hi=mid
    f,c,cnt=evaluate(hi,th)
    print(name,"false %.2f clean %.2f shift %.2f"%(f,c,hi),{k:f"{v[0]}/{v[1]}" for k,v in sorted(cnt.items())})
for s in SRC:
    few=[f for f in flat if f["source"]==s and not f["skip"]]
    y=np.array([f["hit"] is not None for f in few]); p=np.array([f["p"] for f in few])
    ll=-np.mean(np.where(y,np.log(p+1e-9),np.log(1-p+1e-9))); rr=rankdata(p); a=(rr[y].sum()-y.sum()*(y.sum()+1)/2)/(y.sum()*(~y).sum())
    print(s,len(y),y.sum(),"with second",sum(f["two"] is not None for f in few),"ll %.4f auc %.4f"%(ll,a))
fs={}
for r in good:
    for c in photo_findings(r,hi if NET=="-" else 0):
        if not c["hits"]: fs[c["source"]]=fs.get(c["source"],0)+1
print("false by source",fs)
