import os,sys,pickle,numpy as np
sys.argv=["x","/tmp/ml/c1.pkl","-"]
exec(open("/tmp/ml/ccv.py").read().split("print(NET,")[0])
ms={(r["set"],r["mold"],r["photo"],r["refs"]):r.get("map_stats") for r in pickle.load(open("/tmp/ml/map_all.pkl","rb"))}
X=[];wrong=[];mold=[];names=["far","n_mid","agreement","refs","amb","n3","mx","q999","q99","doubt","doubt_any","closer_gap","odd_share","sep","crowd"]
for r in use:
    k=photo_findings(r,0); flagged=bool(k); w=flagged==r["good"]
    cs=[c for c in r["cands"] if c["source"] in SRC]
    gap=max([logit(c["flat"]["p"])-logit(SHOWN_FROM[c["source"]]) for c in cs],default=-6)
    n=sum(.1<c["flat"]["p"]<.6 for c in cs); m=ms[(r["set"],r["mold"],r["photo"],r["refs"])]
    top=max(cs,key=lambda c:c["flat"]["p"],default=None); e=(top or {"extra":{}})["extra"].get("base",{})
    b=[c["extra"]["base"] for c in cs if "base" in c["extra"]]
    out=[c for c in cs if "odd_share" in c["numbers"]]
    X.append([-abs(gap),n,r["agreement"],r["refs"],m["mean_abs"],m["n3"],m["mx"],m["q999"],m["q99"],e.get("c_doubt",0),max([x["c_doubt_high"] for x in b],default=0),
      (-abs(max(e.get("c_high",-6),e.get("c_crack",-6))-2) ), out[0]["numbers"]["odd_share"] if out else 0,0,0])
    wrong.append(w); mold.append(r["mold"])
X=np.array(X);y=np.array(wrong);mold=np.array(mold)
print("photos",len(y),"wrong",y.sum())
def third(s): 
    o=np.argsort(-s,kind="stable"); return y[o[:len(y)//3]].sum()
def auc(s): rr=rankdata(s); return (rr[y].sum()-y.sum()*(y.sum()+1)/2)/(y.sum()*(~y).sum())
for i,n in enumerate(names): print(n,third(X[:,i]),"auc %.3f"%auc(X[:,i]))
from scipy.optimize import minimize
def cv(cols,l2=3.):
    Z=X[:,cols]; Z=(Z-Z.mean(0))/(Z.std(0)+1e-9); Z=np.c_[Z,np.ones(len(Z))]; p=np.zeros(len(Z))
    for m in set(mold):
        tr=mold!=m; f=lambda w: np.sum(np.logaddexp(0,-(2*y[tr]-1)*(Z[tr]@w)))+l2*np.sum(w[:-1]**2)
        p[~tr]=Z[~tr]@minimize(f,np.zeros(Z.shape[1])).x
    return p
for cols in ([0],[0,1],[0,1,2,3],[0,1,2,3,4,5,6,7,8],[0,9,10],list(range(13))):
    p=cv(cols); print([names[c] for c in cols],third(p),"auc %.3f"%auc(p))
d=np.array([x["c_doubt_high"] for r in use for c in r["cands"] for x in [c["extra"].get("base")] if x]); print("doubt quantiles",np.quantile(d,[.5,.9,.99,.999]))
half=np.array([-abs(score(r,False)-.5) for r in use]); lh=np.array([-abs(logit(score(r,False))) for r in use])
print("half",third(half),"auc %.3f"%auc(half),third(lh))
for t in (.25,.3,.35,.4): 
    s=np.array([-abs(logit(score(r,False))-logit(t)) for r in use]); print(t,third(s),"auc %.3f"%auc(s))
