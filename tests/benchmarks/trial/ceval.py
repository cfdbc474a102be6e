"""ceval.py OUT.pkl NET... : rows with extras per net"""
import sys, pickle, glob, time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
import cv2, numpy as np
import inspector.inspection.closer_look as L
from inspector.inspection.damage_map import DamageMap
from tests.benchmarks.aligned_mold import decoded
class N: pass
LEAST=0.03
def extras(c,cm,ppm):
    s=3/ppm
    if c["path"] is not None:
        at=((c["path"]+.5)*s-.5); col=np.clip(np.round(at[:,0]).astype(int),0,cm.looked.shape[1]-1); row=np.clip(np.round(at[:,1]).astype(int),0,cm.looked.shape[0]-1)
    else:
        rows,cols=np.nonzero(c["mask"]); row=np.clip(((rows+c["top"]+.5)*s).astype(int),0,cm.looked.shape[0]-1); col=np.clip(((cols+c["left"]+.5)*s).astype(int),0,cm.looked.shape[1]-1)
    ok=cm.looked[row,col]
    if not ok.any(): return None
    row,col=row[ok],col[ok]
    f,h,k,d=cm.feature[row,col],cm.chip[row,col],cm.crack[row,col],cm.doubt[row,col]
    b=np.maximum(f,h)
    kk=cm.crackmax[row,col]
    return dict(c_high=float(np.quantile(b,.9)),c_med=float(np.median(b)),c_peak=float(b.max()),c_feature=float(f.mean()),c_chip=float(h.mean()),
      c_crack=float(kk.mean()),c_crack_low=float(np.quantile(kk,.2)),c_crack_high=float(np.quantile(kk,.8)),c_doubt=float(d.mean()),c_doubt_high=float(np.quantile(d,.9)),c_sure=float((b>2).sum()/9.),
      c_damage_path=float(cm.damagemax[row,col].mean()))
def job(a):
    f,nets=a
    cv2.setNumThreads(1)
    data=pickle.load(open(f,"rb"))
    refs=tuple(decoded(r) for r in data["references"]); inside=data["inside"].astype(np.float32)
    ntiles=0; t=0
    for name,folder,feat in nets:
        L.FEATURES=feat
        n=N(); n.close_encoder=Path(folder,"close_encoder.onnx").read_bytes(); n.close_judge=Path(folder,"close_judge.onnx").read_bytes()
        cr=L.CloseReferences(refs,n)
        for r in data["rows"]:
            if not r["cands"]: continue
            D=r["damage"].astype(np.float32); dm=DamageMap(D[0],D[1],D[2],D[0]>-11)
            ppm=r["ppm"]; H,W=r["shape"]
            some=[c for c in r["cands"] if c["p"]>=LEAST]
            boxes=[(c["left"]/ppm,c["top"]/ppm,(c["left"]+c["mask"].shape[1])/ppm,(c["top"]+c["mask"].shape[0])/ppm) for c in some]
            tiles=L.tiles_over(boxes,(int(W/ppm),int(H/ppm)))
            t0=time.time(); cm=L.look_closer(decoded(r["gray"]),cr,dm,r["piece"].astype(np.float32),inside,tiles,px_per_mm=ppm); t+=time.time()-t0; ntiles+=len(tiles)
            ones=np.ones((3,3),np.uint8)
            object.__setattr__(cm,"x",0) if False else None
            class M: pass
            m=M(); m.feature,m.chip,m.crack,m.doubt,m.looked=cm.feature,cm.chip,cm.crack,cm.doubt,cm.looked; m.crackmax=cv2.dilate(cm.crack,ones); m.damagemax=cv2.dilate(np.maximum(cm.feature,cm.chip),ones)
            for c in some:
                e=extras(c,m,ppm)
                if e: c["extra"][name]=e
            r["tiles"]=len(tiles)
    for r in data["rows"]:
        for k in("gray","damage","piece"): r.pop(k,None)
    print(Path(f).name,ntiles,round(t,1),flush=True)
    return data["rows"]
if __name__=="__main__":
    import os
    nets=[(n,f"/tmp/ml/fits/{n}",24 if n.startswith("large") else 16) for n in sys.argv[2:]]
    files=[f for f in sorted(glob.glob("/tmp/ml/dev/*.pkl")) if os.environ.get("MATCH","") in f]
    with ProcessPoolExecutor(2) as pool: rows=[r for part in pool.map(job,[(f,nets) for f in files]) for r in part]
    pickle.dump(rows,open(sys.argv[1],"wb")); print(len(rows))
