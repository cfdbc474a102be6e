"""dump.py OUTDIR REFS SET..."""
import sys, pickle, time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
import cv2, numpy as np
from inspector.inspection.layers import line_picture
from tests.benchmarks.bench_folder import matched_photos, model_of, read_bench
from tests.benchmarks.aligned_mold import exact
from tests.benchmarks.judging import is_hit, polygon
from inspector.inspection.candidates import all_candidates
from inspector.inspection.confidence import confidence_of
from inspector.inspection.findings import polygon_of
from inspector.inspection.limits import GROWN_MM
def job(a):
    mold,refs,setname,out=a
    cv2.setNumThreads(1)
    model=model_of(mold.folder,most_references=refs)
    rows=[]
    photos={str(t["photo"]) for _,t in mold.photos if not t.get("unusable")}; good={str(t["photo"]):t["good"] for _,t in mold.photos}; seen=set()
    for path,truth,view,warp,ev in matched_photos(mold,model):
        seen.add(str(truth["photo"]))
        defects=[(n,d["kind"],polygon(d["polygon"])) for n,d in enumerate(truth["defects"])]
        crows=[]
        for c in all_candidates(model,ev):
            area=polygon(polygon_of(c,view,warp).tolist()); grown=area.buffer(GROWN_MM*truth["px_per_mm"])
            crows.append(dict(source=c.source,hits=[(n,k) for n,k,real in defects if is_hit(grown,real)],numbers=c.numbers,extra={},mask=c.mask,left=c.left,top=c.top,path=c.path_xy,p=confidence_of(c)))
        d=ev.damage
        rows.append(dict(set=setname,mold=mold.name,photo="/".join(path.parts[-3:]),good=truth["good"],px=truth["px_per_mm"],refs=refs,agreement=warp.agreement,shape=model.mask.shape,ppm=model.px_per_mm,light=truth["light"],
            defects=[(n,x["kind"],x["extent_mm"],x.get("width_mm")) for n,x in enumerate(truth["defects"])],cands=crows,
            gray=exact(line_picture(view,warp.photo_xy)),damage=np.stack([d.feature,d.chip,d.crack]).astype(np.float16),piece=ev.silhouette.log_odds.astype(np.float16)))
    for p in photos-seen: rows.append(dict(set=setname,mold=mold.name,photo=p,good=good[p],refused=True,cands=[],defects=[],refs=refs))
    data=dict(rows=rows,references=[exact(line_picture(r.view,l.photo_xy)) for r,l in zip(model.references,model.layers)],inside=model.inside_mm.astype(np.float16))
    pickle.dump(data,open(f"{out}/{setname}__{mold.name}__{refs}.pkl","wb"))
    print(setname,mold.name,refs,len(rows),flush=True)
if __name__=="__main__":
    out=sys.argv[1]; Path(out).mkdir(exist_ok=True)
    jobs=[(m,r,Path(s).name,out) for s in sys.argv[2:] for m in read_bench(Path(s)) for r in (3,1)]
    t=time.time()
    with ProcessPoolExecutor(2) as pool: list(pool.map(job,jobs))
    print("done",time.time()-t)
